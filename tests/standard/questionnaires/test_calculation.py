"""Structured Data Capture: calculatedExpression, variable, enableWhen; R4 constraints."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import HyoidError, Invalid
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires import extract
from tests.standard.questionnaires.forms import (
    answered,
    calculated,
    choice,
    coded,
    coding,
    constraint,
    form_of,
    formula,
    given,
    item,
    variable,
)

N = "%resource.item.where(linkId='n').answer.value"


def made(questionnaire: dict[str, Any], *items: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """What is extracted by linkId (the codes of the tests are linkIds), and what is told."""
    found = extract(answered(*items), questionnaire)
    values = {
        e["resource"]["code"]["coding"][0]["code"]: next(
            v for k, v in e["resource"].items() if k.startswith("value")
        )
        for e in found.entries
    }
    return values, [issue.text for issue in found.issues]


def test_items_that_build_on_each_other_in_whatever_order() -> None:
    twice = calculated("twice", "%resource.item.where(linkId='once').answer.value * 2")
    once = calculated("once", f"{N} + 1")
    for items in ((once, twice), (twice, once)):
        values, _ = made(form_of(item("n"), *items), given("n", 3))
        assert values == {"once": 4, "twice": 8}


def test_items_that_run_in_a_circle_are_refused() -> None:
    grows = calculated(
        "c",
        "iif(%resource.item.where(linkId='c').answer.exists(), %resource.item"
        ".where(linkId='c').answer.value + 1, 1)",
    )
    with pytest.raises(Invalid, match="without end"):
        made(form_of(grows))


def test_variables_of_the_form_the_group_and_the_item() -> None:
    inner = calculated(
        "c",
        "%a + %b + %d",
        extension=[variable("d", "%b * 10")],
    )
    group = item(
        "g",
        "group",
        repeats=True,
        item=[item("x"), inner],
        extension=[variable("b", "%context.item.where(linkId='x').answer.value")],
    )
    questionnaire = form_of(item("n"), group, extension=[variable("a", N)])
    found = extract(
        answered(
            given("n", 1000),
            given("g", item=[given("x", 1)]),
            given("g", item=[given("x", 2)]),
        ),
        questionnaire,
    )
    assert [e["resource"]["valueInteger"] for e in found.entries] == [1011, 1022]


def test_a_result_of_the_wrong_type_is_refused() -> None:
    for kind, expression in (
        ("integer", "1.5"),
        ("integer", "'a'"),
        ("boolean", "1"),
        ("decimal", "true"),
    ):
        with pytest.raises(Invalid, match="does not fit"):
            made(form_of(calculated("c", expression, kind)))


def test_a_result_outside_its_limits_is_refused() -> None:
    limit = {"url": ext.MAXIMUM, "valueInteger": 40}
    with pytest.raises(Invalid, match="41 lies outside"):
        made(form_of(calculated("c", "41", extension=[limit])))


def test_an_expression_that_fails_is_named_by_its_item() -> None:
    with pytest.raises(Invalid) as refusal:
        made(form_of(calculated("c", "foo(")))
    assert refusal.value.issues[0].expression == "Questionnaire.descendants().where(linkId = 'c')"
    assert refusal.value.status == 422


def test_a_form_that_takes_too_long_is_refused() -> None:
    ten = "(1|2|3|4|5|6|7|8|9|10)"
    endless = ten + f".select({ten}" * 6 + ")" * 6 + ".count()"
    with pytest.raises(HyoidError) as refusal:
        made(form_of(calculated("c", endless)))
    assert refusal.value.status == 400
    assert refusal.value.issues[0].code == "too-costly"


def test_a_stored_result_that_is_read_only_is_computed_anew_and_corrected() -> None:
    questionnaire = form_of(item("n"), calculated("c", f"{N} * 2"))
    values, told = made(questionnaire, given("n", 3), given("c", 6))
    assert (values, told) == ({"c": 6}, [])
    values, (told_once,) = made(questionnaire, given("n", 3), given("c", 7))
    assert values == {"c": 6}
    assert "has 7 for 'c'" in told_once
    assert "it is 6" in told_once


def test_a_stored_result_that_may_be_overridden_stays() -> None:
    """Structured Data Capture: a value that differs counts as overridden."""
    questionnaire = form_of(item("n"), calculated("c", f"{N} * 2", readOnly=False))
    assert made(questionnaire, given("n", 3), given("c", 7)) == ({"c": 7}, [])
    assert made(questionnaire, given("n", 3)) == ({"c": 6}, [])


@pytest.mark.parametrize(
    ("operator", "wanted", "answers", "is_asked"),
    [
        ("=", {"answerInteger": 3}, (3,), True),
        ("=", {"answerInteger": 3}, (4,), False),
        ("=", {"answerInteger": 3}, (), False),
        ("!=", {"answerInteger": 3}, (4,), True),
        ("!=", {"answerInteger": 3}, (3, 4), False),
        (">", {"answerInteger": 3}, (4,), True),
        (">", {"answerInteger": 3}, (3,), False),
        (">=", {"answerInteger": 3}, (3,), True),
        ("<", {"answerInteger": 3}, (2, 5), True),
        ("<=", {"answerInteger": 3}, (4,), False),
        ("exists", {"answerBoolean": True}, (1,), True),
        ("exists", {"answerBoolean": True}, (), False),
        ("exists", {"answerBoolean": False}, (), True),
    ],
)
def test_conditions_of_an_item(
    operator: str, wanted: dict[str, Any], answers: tuple[int, ...], is_asked: bool
) -> None:
    """R4, questionnaire-enable-operator."""
    condition = {"question": "n", "operator": operator} | wanted
    questionnaire = form_of(item("n", repeats=True), coded("q", enableWhen=[condition]))
    items = [given("n", *answers)] if answers else []
    values, told = made(questionnaire, *items, given("q", 5))
    assert values == ({"q": 5} if is_asked else {})
    assert any("was not to be asked" in text for text in told) != is_asked


def test_conditions_on_codes_and_several_conditions() -> None:
    conditions = [
        {"question": "c", "operator": "=", "answerCoding": coding("a")},
        {"question": "n", "operator": "=", "answerInteger": 1},
    ]
    questionnaire = form_of(
        choice("c", {"a": 1, "b": 2}),
        item("n"),
        coded("all", enableWhen=conditions, enableBehavior="all"),
        coded("any", enableWhen=conditions, enableBehavior="any"),
    )
    items = (given("c", coding("a")), given("n", 2), given("all", 1), given("any", 1))
    assert made(questionnaire, *items)[0] == {"any": 1}


def test_the_condition_looks_at_the_answer_in_the_same_group() -> None:
    condition = {"question": "x", "operator": "=", "answerInteger": 1}
    group = item("g", "group", repeats=True, item=[item("x"), coded("q", enableWhen=[condition])])
    found = extract(
        answered(
            given("g", item=[given("x", 1), given("q", 10)]),
            given("g", item=[given("x", 2), given("q", 20)]),
        ),
        form_of(group),
    )
    assert [e["resource"]["valueInteger"] for e in found.entries] == [10]


def test_a_condition_by_expression() -> None:
    question = coded("q", extension=[formula(f"{N} > 5", ext.ENABLE_WHEN)])
    questionnaire = form_of(item("n"), question)
    assert made(questionnaire, given("n", 6), given("q", 1))[0] == {"q": 1}
    assert made(questionnaire, given("n", 5), given("q", 1))[0] == {}


def test_what_was_not_asked_is_neither_counted_nor_required() -> None:
    condition = {"question": "n", "operator": "=", "answerInteger": 1}
    questionnaire = form_of(
        item("n"),
        item("q", enableWhen=[condition], required=True),
        calculated("c", "%resource.item.where(linkId='n' or linkId='q').answer.value.sum()"),
    )
    assert made(questionnaire, given("n", 2), given("q", 5))[0] == {"c": 2}
    with pytest.raises(Invalid, match="q has no answer"):
        made(questionnaire, given("n", 1))


def test_constraints_of_the_form_and_of_an_item() -> None:
    questionnaire = form_of(
        coded("n", extension=[constraint("%context.answer.value < 10")]),
        extension=[constraint(f"{N} != 5", "warning")],
    )
    assert made(questionnaire, given("n", 4)) == ({"n": 4}, [])
    assert made(questionnaire, given("n", 5)) == ({"n": 5}, ["rule-1: It must hold"])
    with pytest.raises(Invalid) as refusal:
        made(questionnaire, given("n", 11))
    assert refusal.value.issues[-1].expression == "QuestionnaireResponse.item[0]"


def test_required_is_asked_for_within_groups_that_are_there() -> None:
    questionnaire = form_of(
        coded("n"),
        item("g", "group", repeats=True, item=[item("x", required=True), item("y")]),
    )
    assert made(questionnaire, given("n", 1))[0] == {"n": 1}
    with pytest.raises(Invalid) as refusal:
        made(questionnaire, given("g", item=[given("x", 1)]), given("g", item=[given("y", 1)]))
    place = "QuestionnaireResponse.item[1].item.where(linkId = 'x')"
    assert [issue.expression for issue in refusal.value.issues] == [place]
