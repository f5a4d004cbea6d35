"""R4, QuestionnaireResponse: which answers fit a form."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Invalid
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires import extract
from service.standard.questionnaires.answers import answer_issues
from service.standard.questionnaires.form import read_form
from tests.standard.questionnaires.forms import (
    answered,
    choice,
    coded,
    coding,
    form_of,
    given,
    item,
)

FORM = form_of(
    item(
        "n",
        extension=[
            {"url": ext.MINIMUM, "valueInteger": 1},
            {"url": ext.MAXIMUM, "valueInteger": 8},
        ],
    ),
    choice("c", {"a": 1, "b": 2}),
    item("g", "group", item=[item("inner", "boolean"), item("note", "display")]),
    item("r", "group", repeats=True, item=[item("x", "string", repeats=True)]),
    item("q", "string", item=[item("below", "decimal")]),
    item("o", "open-choice", answerOption=[{"valueCoding": coding("a")}]),
    item("m", "quantity"),
)


def issues(*items: dict[str, Any]) -> list[tuple[str | None, str]]:
    found = answer_issues(read_form(FORM), answered(*items))
    return [(issue.expression, issue.code) for issue in found]


def test_answers_that_fit() -> None:
    below = {"valueString": "yes", "item": [given("below", {"valueDecimal": 2})]}
    assert not issues(
        given("n", 1),
        given("c", coding("b") | {"display": "whatever", "version": "2"}),
        given("g", item=[given("inner", True)]),
        given("r", item=[given("x", "one", "two")]),
        given("r", item=[given("x", "three")]),
        given("q", below),
        given("o", "in own words"),
        given("m", {"valueQuantity": {"value": 3, "unit": "mL"}}),
    )


@pytest.mark.parametrize(
    ("items", "place", "code"),
    [
        ([given("zzz", 1)], "item[0]", "not-found"),
        ([given("inner", True)], "item[0]", "not-found"),
        ([given("n", 1), given("n", 2)], "item[1]", "duplicate"),
        ([given("n", 1, 2)], "item[0].answer", "duplicate"),
        ([given("n", 0)], "item[0].answer[0]", "value"),
        ([given("n", 9)], "item[0].answer[0]", "value"),
        ([given("n", "four")], "item[0].answer[0]", "value"),
        ([given("n", {"valueDecimal": 4})], "item[0].answer[0]", "value"),
        ([given("c", coding("z"))], "item[0].answer[0]", "code-invalid"),
        ([given("c", {"code": "a"})], "item[0].answer[0]", "code-invalid"),
        ([given("c", {"system": "s", "code": "a"})], "item[0].answer[0]", "code-invalid"),
        ([given("c", "a")], "item[0].answer[0]", "value"),
        ([given("g", True)], "item[0].answer", "value"),
        ([given("g", item=[given("note", "x")])], "item[0].item[0].answer", "value"),
        ([given("g", item=[given("inner", True, False)])], "item[0].item[0].answer", "duplicate"),
        ([given("q", item=[given("below", 2)])], "item[0].item", "structure"),
        (
            [given("q", {"valueString": "y", "item": [given("below", 2)]})],
            "item[0].answer[0].item[0].answer[0]",
            "value",
        ),
        ([given("o", coding("z"))], "item[0].answer[0]", "code-invalid"),
    ],
)
def test_answers_that_do_not_fit(items: list[dict[str, Any]], place: str, code: str) -> None:
    assert issues(*items) == [(f"QuestionnaireResponse.{place}", code)]


def test_every_answer_that_does_not_fit_is_named_at_once() -> None:
    with pytest.raises(Invalid) as refusal:
        extract(answered(given("n", 0), given("c", coding("z")), given("zzz", 1)), FORM)
    assert refusal.value.status == 422
    assert len(refusal.value.issues) == 3


@pytest.mark.parametrize("status", ["in-progress", "entered-in-error", "stopped"])
def test_only_completed_and_amended_responses_are_extracted(status: str) -> None:
    """Structured Data Capture: extract completed responses only."""
    questionnaire = form_of(coded("n"))
    with pytest.raises(Invalid, match="completed or amended"):
        extract(answered(given("n", 1), status=status), questionnaire)
    for ready in ("completed", "amended"):
        assert extract(answered(given("n", 1), status=ready), questionnaire).count == 1
