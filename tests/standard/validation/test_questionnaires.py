"""Outside source: R4, Questionnaire: rules que-1 to que-13 and the text of enableWhen.question."""

from __future__ import annotations

from typing import Any

from tests.standard.validation.resources import Resource, errors, keys, resource


def form(*items: dict[str, Any]) -> Resource:
    return resource("Questionnaire", status="active", item=list(items))


def question(link: str, kind: str = "string", **elements: Any) -> dict[str, Any]:
    return {"linkId": link, "type": kind, **elements}


def enabled_by(link: str) -> dict[str, Any]:
    return {"enableWhen": [{"question": link, "operator": "exists", "answerBoolean": True}]}


def test_an_item_is_enabled_by_another_item_anywhere_in_the_form() -> None:
    group = question("g", "group", item=[question("a")])
    assert errors(form(group, question("b", **enabled_by("a")))) == []


def test_the_question_must_exist_and_not_be_the_item_itself() -> None:
    place = "Questionnaire.item[0].enableWhen[0].question"
    assert errors(form(question("a", **enabled_by("x")))) == [("not-found", place)]
    assert errors(form(question("a", **enabled_by("a")))) == [("invalid", place)]


def test_rules_of_items() -> None:
    many = [question("a"), question("a")]
    assert keys(form(*many)) == {"que-2"}
    assert keys(form(question("a", "group"))) == {"que-1"}
    assert keys(form(question("a", "display", item=[question("b")]))) == {"que-1"}
    assert keys(form(question("a", "display", code=[{"code": "b"}]))) == {"que-3"}
    both = {"answerValueSet": "http://a", "answerOption": [{"valueString": "b"}]}
    assert keys(form(question("a", "choice", **both))) == {"que-4"}
    assert keys(form(question("a", "display", required=True))) == {"que-6"}
    answer = {"enableWhen": [{"question": "b", "operator": "exists", "answerString": "c"}]}
    assert keys(form(question("a", **answer), question("b"))) == {"que-7"}
    twice = {"initial": [{"valueString": "a"}, {"valueString": "b"}]}
    assert keys(form(question("a", **twice))) == {"que-13"}
    assert keys(form(question("a", repeats=True, **twice))) == set()
