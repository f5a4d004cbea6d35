"""Structured Data Capture, weight(): the answer's own weight first, then option, value set, code
system; none is empty, one that cannot be seen is an error."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.errors import Invalid
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires import extract
from tests.standard.questionnaires.forms import (
    CODES,
    answered,
    calculated,
    choice,
    coding,
    form_of,
    given,
    item,
    option,
)

ITEM_WEIGHT = "http://hl7.org/fhir/StructureDefinition/itemWeight"
SUM = calculated("sum", "%resource.item.answer.value.weight().sum()", "decimal")


def weighed(question: dict[str, Any], *answers: Any, **more: Any) -> Any:
    found = extract(answered(given(question["linkId"], *answers)), form_of(question, SUM, **more))
    (entry,) = found.entries
    return entry["resource"]["valueQuantity"]["value"], [issue.text for issue in found.issues]


def with_weight(value: dict[str, Any], weight: Any, url: str = ITEM_WEIGHT) -> dict[str, Any]:
    return value | {"extension": [{"url": url, "valueDecimal": weight}]}


def test_of_the_option() -> None:
    assert weighed(choice("q", {"a": 1, "b": 2}), coding("b")) == (2, [])
    on_coding = item(
        "q", "choice", answerOption=[{"valueCoding": with_weight(coding("a"), 3, ext.ORDINAL)}]
    )
    assert weighed(on_coding, coding("a")) == (3, [])


def test_none_counts_for_nothing() -> None:
    assert weighed(choice("q", {"a": None, "b": 2}), coding("a")) == (0, [])


@pytest.mark.parametrize("url", sorted(ext.WEIGHTS))
def test_of_the_answer_goes_first_and_the_difference_is_told(url: str) -> None:
    question = choice("q", {"a": 1})
    assert weighed(question, with_weight(coding("a"), Decimal("1.5"), url))[0] == Decimal("1.5")
    value, (told,) = weighed(question, with_weight(coding("a"), 4, url))
    assert value == 4
    assert "says it weighs 4; the form says 1" in told


def test_of_whole_numbers_and_texts() -> None:
    numbers = [
        {"valueInteger": n, "extension": [{"url": ext.ORDINAL, "valueDecimal": 10 * n}]}
        for n in (1, 2)
    ]
    assert weighed(item("q", "choice", answerOption=numbers), 2) == (20, [])
    texts = [{"valueString": "x", "extension": [{"url": ext.ORDINAL, "valueDecimal": 7}]}]
    assert weighed(item("q", "choice", answerOption=texts), "x") == (7, [])


def test_of_a_contained_value_set() -> None:
    held = {
        "resourceType": "ValueSet",
        "id": "v",
        "status": "active",
        "compose": {
            "include": [
                {
                    "system": CODES,
                    "concept": [with_weight({"code": "a"}, 6, ext.ORDINAL), {"code": "b"}],
                }
            ]
        },
    }
    question = item("q", "choice", answerValueSet="#v")
    assert weighed(question, coding("a"), contained=[held]) == (6, [])
    assert weighed(question, coding("b"), contained=[held]) == (0, [])


def test_of_our_code_system() -> None:
    own = {"system": "https://hyoid.example/fhir/CodeSystem/instrument-answer", "code": "rating-3"}
    question = item("q", "choice", answerOption=[{"valueCoding": own}])
    assert weighed(question, own) == (3, [])


def test_of_options_that_are_not_at_hand_cannot_be_told() -> None:
    question = item("q", "choice", answerValueSet="https://elsewhere.example/values")
    with pytest.raises(Invalid, match="cannot be told"):
        weighed(question, coding("a"))
    assert weighed(question, with_weight(coding("a"), 2)) == (2, [])


def test_reversed_items_are_reversed_by_their_options() -> None:
    items = [
        item("g", "group", item=[choice("q1", {"1": 1, "2": 2}), choice("q2", {"1": 2, "2": 1})]),
        calculated("s", "%resource.item.where(linkId='g').item.answer.value.weight().sum()"),
    ]
    response = answered(given("g", item=[given("q1", coding("1")), given("q2", coding("1"))]))
    (entry,) = extract(response, form_of(*items)).entries
    assert entry["resource"]["valueInteger"] == 3
    assert option("1", 2)["extension"][0]["valueDecimal"] == 2
