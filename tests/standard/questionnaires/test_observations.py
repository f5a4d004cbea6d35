"""Structured Data Capture 4.0, Observation-based extraction: its table of elements and its rules
of inheritance; R4, Observation, for what may not be taken over."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires import extract
from service.standard.validation import validate
from tests.standard.questionnaires.forms import (
    CODES,
    answered,
    calculated,
    choice,
    coded,
    coding,
    extracted,
    form_of,
    given,
    item,
)

FORM = form_of(coded("n"))


def observations(
    questionnaire: dict[str, Any], *items: dict[str, Any], **more: Any
) -> list[dict[str, Any]]:
    found = extract(answered(*items, **more), questionnaire)
    made = [entry["resource"] for entry in found.entries]
    for resource in made:
        assert not [issue for issue in validate(resource) if issue.severity != "warning"]
    return made


def only(questionnaire: dict[str, Any], *items: dict[str, Any], **more: Any) -> dict[str, Any]:
    (found,) = observations(questionnaire, *items, **more)
    return found


def category(code: str) -> dict[str, Any]:
    return {"url": ext.CATEGORY, "valueCodeableConcept": {"text": code}}


def test_what_is_taken_over_from_the_response() -> None:
    head = {
        "encounter": {"reference": "Encounter/e1"},
        "basedOn": [{"reference": "CarePlan/c1"}],
        "partOf": [{"reference": "Procedure/pr1"}, {"reference": "Observation/o1"}],
        "author": {"reference": "Practitioner/t1"},
        "authored": "2026-03-04T09:30:00+01:00",
    }
    seen = only(FORM, given("n", 5), **head)
    assert seen["subject"] == {"reference": "Patient/p1"}
    assert seen["encounter"] == head["encounter"]
    assert seen["basedOn"] == head["basedOn"]
    # R4: an Observation is no part of an Observation.
    assert seen["partOf"] == [{"reference": "Procedure/pr1"}]
    assert seen["performer"] == [head["author"]]
    assert seen["effectiveDateTime"] == seen["issued"] == head["authored"]
    assert seen["status"] == "final"
    assert seen["category"][0]["coding"][0]["code"] == "survey"
    assert seen["code"] == {"coding": [coding("n")]}
    assert seen["derivedFrom"] == [{"reference": "QuestionnaireResponse/r1"}]
    assert seen["valueInteger"] == 5
    assert "method" not in seen
    assert "device" not in seen


@pytest.mark.parametrize(
    "author",
    [
        {"reference": "Device/d1"},
        {"reference": "https://elsewhere.example/fhir/Device/d1"},
        {"type": "Device", "identifier": {"value": "1"}},
    ],
)
def test_a_device_is_no_performer(author: dict[str, Any]) -> None:
    assert "performer" not in only(FORM, given("n", 5), author=author)


def test_a_subject_that_an_observation_cannot_have_is_left_out_and_told() -> None:
    response = answered(given("n", 5), subject={"reference": "Practitioner/t1"})
    found = extract(response, FORM)
    assert "subject" not in found.entries[0]["resource"]
    assert [issue.expression for issue in found.issues] == ["QuestionnaireResponse.subject"]


def test_a_date_is_no_instant() -> None:
    seen = only(FORM, given("n", 5), authored="2026-03-04")
    assert seen["effectiveDateTime"] == "2026-03-04"
    assert "issued" not in seen


def test_what_is_missing_in_the_response_is_told() -> None:
    response = answered(given("n", 5))
    del response["authored"], response["subject"]
    found = extract(response, FORM)
    assert {issue.expression for issue in found.issues} == {
        "QuestionnaireResponse.authored",
        "QuestionnaireResponse.subject",
    }


def test_a_contained_author_is_left_out_and_told() -> None:
    person = {"resourceType": "Practitioner", "id": "t"}
    response = answered(given("n", 5), contained=[person], author={"reference": "#t"})
    found = extract(response, FORM)
    assert "performer" not in found.entries[0]["resource"]
    assert [issue.expression for issue in found.issues] == ["QuestionnaireResponse.author"]


@pytest.mark.parametrize(
    ("kind", "answer", "expected"),
    [
        ("boolean", True, {"valueBoolean": True}),
        ("integer", 3, {"valueInteger": 3}),
        ("decimal", {"valueDecimal": Decimal("1.5")}, {"valueQuantity": {"value": Decimal("1.5")}}),
        ("date", {"valueDate": "2026-03"}, {"valueDateTime": "2026-03"}),
        ("dateTime", {"valueDateTime": "2026-03-04"}, {"valueDateTime": "2026-03-04"}),
        ("time", {"valueTime": "09:00:00"}, {"valueTime": "09:00:00"}),
        ("string", "x", {"valueString": "x"}),
        ("url", {"valueUri": "urn:x"}, {"valueString": "urn:x"}),
        (
            "open-choice",
            coding("a") | {"display": "A"},
            {"valueCodeableConcept": {"coding": [coding("a") | {"display": "A"}], "text": "A"}},
        ),
        ("open-choice", "free", {"valueString": "free"}),
        (
            "quantity",
            {"valueQuantity": {"value": 3, "unit": "mL"}},
            {"valueQuantity": {"value": 3, "unit": "mL"}},
        ),
    ],
)
def test_values(kind: str, answer: Any, expected: dict[str, Any]) -> None:
    seen = only(form_of(coded("n", kind)), given("n", answer))
    assert {k: v for k, v in seen.items() if k.startswith("value")} == expected


def test_numbers_with_a_unit_become_quantities() -> None:
    unit = {"system": "http://unitsofmeasure.org", "code": "mL", "display": "millilitre"}
    questionnaire = form_of(coded("n", extension=[{"url": ext.UNIT, "valueCoding": unit}]))
    assert only(questionnaire, given("n", 5))["valueQuantity"] == {
        "value": 5,
        "unit": "millilitre",
        "system": unit["system"],
        "code": "mL",
    }


def test_a_weighed_answer_keeps_its_weight() -> None:
    question = choice("c", {"a": 3}, code=[coding("c")], extension=[extracted()])
    (answer,) = only(form_of(question), given("c", coding("a")))["valueCodeableConcept"]["coding"]
    assert answer["extension"] == [{"url": ext.ORDINAL, "valueDecimal": 3}]


def test_a_code_without_a_term_has_the_words_that_stood_in_front_of_it() -> None:
    """R4, questionnaire-optionPrefix: the label to list in front of a code."""
    prefix = {"url": ext.PREFIX, "valueString": "0, thin"}
    options = [{"valueCoding": coding("a"), "extension": [prefix]}]
    seen = only(form_of(coded("c", "choice", answerOption=options)), given("c", coding("a")))
    assert seen["valueCodeableConcept"]["text"] == "0, thin"


def test_what_no_observation_can_hold_is_told() -> None:
    questionnaire = form_of(coded("n", "attachment"))
    answer = {"valueAttachment": {"title": "x"}}
    found = extract(answered(given("n", answer)), questionnaire)
    assert found.count == 0
    assert "valueAttachment" in found.issues[0].text


def test_each_answer_is_an_observation_and_no_answer_is_none() -> None:
    questionnaire = form_of(coded("n", repeats=True), coded("m"))
    made = observations(questionnaire, given("n", 1, 2, 2))
    assert [each["valueInteger"] for each in made] == [1, 2, 2]
    assert len({each["identifier"][0]["value"] for each in made}) == 3


def test_the_nearest_level_decides_what_is_extracted_and_in_which_category() -> None:
    def plain(link: str, **more: Any) -> dict[str, Any]:
        return item(link, code=[coding(link)], **more)

    questionnaire = form_of(
        item(
            "g",
            "group",
            item=[plain("inherits"), plain("not", extension=[extracted(False)]), item("uncoded")],
            extension=[extracted(True), category("near")],
        ),
        plain("root"),
        plain("own", extension=[category("own"), category("second")]),
        extension=[extracted(True), category("far")],
    )
    made = observations(
        questionnaire,
        given("g", item=[given("inherits", 1), given("not", 2), given("uncoded", 3)]),
        given("root", 4),
        given("own", 5),
    )
    told = {
        each["code"]["coding"][0]["code"]: [c["text"] for c in each["category"]] for each in made
    }
    assert told == {"inherits": ["near"], "root": ["far"], "own": ["own", "second"]}


def test_only_tagged_codes_are_taken_where_one_is_tagged() -> None:
    codes = [coding("a"), coding("b") | {"extension": [extracted(True)]}]
    seen = only(form_of(item("n", code=codes)), given("n", 1))
    assert seen["code"] == {"coding": [coding("b")]}
    untagged = [coding("a"), coding("b") | {"extension": [extracted(False)]}]
    seen = only(form_of(item("n", code=untagged, extension=[extracted()])), given("n", 1))
    assert seen["code"] == {"coding": [coding("a")]}


@pytest.mark.parametrize("relation", ["component", "member", "derived", "independent"])
def test_the_code_form_says_how_an_item_relates_to_the_one_above(relation: str) -> None:
    inner = item("x", code=[coding("x")], extension=[extracted(relation)])
    outer = item("g", "group", code=[coding("g")], extension=[extracted()], item=[inner])
    found = extract(answered(given("g", item=[given("x", 5)])), form_of(outer))
    by_code = {e["resource"]["code"]["coding"][0]["code"]: e for e in found.entries}
    urls = {code: entry["fullUrl"] for code, entry in by_code.items()}
    response = {"reference": "QuestionnaireResponse/r1"}
    if relation == "independent":
        assert set(by_code) == {"x"}
        return
    group = by_code["g"]["resource"]
    assert not any(name.startswith("value") for name in group)
    if relation == "component":
        assert set(by_code) == {"g"}
        assert group["component"] == [{"code": {"coding": [coding("x")]}, "valueInteger": 5}]
    elif relation == "member":
        assert group["hasMember"] == [{"reference": urls["x"]}]
    else:
        assert group["derivedFrom"] == [response, {"reference": urls["x"]}]


def test_the_boolean_form_links_nothing() -> None:
    outer = item("g", "group", code=[coding("g")], item=[coded("x")], extension=[extracted()])
    (seen,) = observations(form_of(outer), given("g", item=[given("x", 5)]))
    assert seen["code"]["coding"] == [coding("x")]


def test_a_question_with_a_component_below_it() -> None:
    below = item("u", "string", code=[coding("u")], extension=[extracted("component")])
    question = coded("n", repeats=True, item=[below])
    answers = [{"valueInteger": n, "item": [given("u", f"text {n}")]} for n in (1, 2)]
    made = observations(form_of(question), given("n", *answers))
    assert [each["component"][0]["valueString"] for each in made] == ["text 1", "text 2"]


def test_what_is_about_somebody_else_is_not_extracted() -> None:
    about = {"url": ext.SUBJECT, "valueBoolean": True}
    group = item("g", "group", extension=[about], item=[coded("x")])
    found = extract(answered(given("g", item=[given("x", 5)])), form_of(group))
    assert found.count == 0
    assert found.issues[0].code == "not-supported"


def test_what_is_calculated_names_its_form_and_the_service() -> None:
    questionnaire = form_of(item("n"), calculated("c", "1 + 1"))
    seen = only(questionnaire, given("n", 5))
    assert "https://clinic.example/form|1, item c" in seen["method"]["text"]
    assert seen["device"] == {"display": "Hyoid"}


def test_nothing_to_extract_is_no_error() -> None:
    found = extract(
        answered(given("n", 5)), form_of(item("n", code=[{"system": CODES, "code": "n"}]))
    )
    assert (found.entries, found.count) == ((), 0)
    assert [issue.severity for issue in found.issues] == ["information"]
