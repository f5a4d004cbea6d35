"""FHIRPath N1 and Structured Data Capture, "weight()"; and what an expression from outside must
not do."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import fhirpathpy
import pytest
from fhirpathpy.engine.nodes import FP_Type
from fhirpathpy.models import models

from service.standard.questionnaires.expressions import LONGEST, evaluate, node, plain
from service.standard.questionnaires.form import read_form
from service.standard.questionnaires.functions import ExpressionError
from service.standard.questionnaires.working import Working
from service.standard.validation.fhirpath.budget import Budget, BudgetError
from tests.standard.questionnaires.forms import (
    answered,
    choice,
    coding,
    form_of,
    given,
    item,
)

FORM = form_of(
    item("g", "group", item=[choice("a", {"no": 0, "yes": 2}), choice("b", {"no": 0, "yes": 3})]),
    item("n", repeats=True),
    item("t", "string"),
    item("r", "group", repeats=True, item=[item("x")]),
)
RESPONSE = answered(
    given("g", item=[given("a", coding("yes")), given("b", coding("yes"))]),
    given("n", 4, 1, 1),
    given("t", "one two"),
    given("r", item=[given("x", 7)]),
    given("r", item=[given("x", 7)]),
)


def value(expression: str, steps: int = 50_000) -> list[Any]:
    budget = Budget(steps)
    root = Working(read_form(FORM), RESPONSE, budget).root
    return plain(evaluate(expression, root, {"resource": root}, budget))


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("%resource.item.where(linkId='g').item.answer.value.weight().sum()", [5]),
        ("%resource.repeat(item).where(linkId='g').item.answer.value.ordinal().sum()", [5]),
        ("item.where(linkId='g').item.answer.value.weight().avg()", [Decimal("2.5")]),
        ("item.where(linkId='n').answer.value.max()", [4]),
        ("item.where(linkId='n').answer.value.min()", [1]),
        ("item.where(linkId='n').answer.value.sum()", [6]),
        ("item.where(linkId='n').answer.value.count()", [3]),
        ("item.where(linkId='n').answer.value.weight()", []),
        ("item.where(linkId='none').answer.value.max()", []),
        ("item.where(linkId='none').answer.value.sum()", [0]),
        ("item.where(linkId='r').item.answer.value.sum()", [14]),
        ("item.where(linkId='n').answer.where(value >= 2).value", [4]),
        ("item.where(linkId='n').answer.value.all($this > 0)", [True]),
        ("item.where(linkId='t').answer.value.length()", [7]),
        ("item.where(answer.where(value = 4).exists() and linkId = 'n').linkId", ["n"]),
        ("item.where(item.where(linkId = 'a').exists() and $this.linkId = 'g').linkId", ["g"]),
        ("(2.5).round(0)", [3]),
        ("(0.5).round()", [1]),
        ("(66.66666).round(4)", [Decimal("66.6667")]),
        ("10 / 4", [Decimal("2.5")]),
        ("iif({}, 1, 2)", [2]),
        ("1 + {}", []),
        ("(1 | 2 | 2).count()", [2]),
        ("7 div 2 + 7 mod 2", [4]),
        ("item.trace('client').count()", [5]),
    ],
)
def test_values(expression: str, expected: list[Any]) -> None:
    assert value(expression) == expected


@pytest.mark.parametrize(
    "expression",
    [
        "item.linkId",
        "item.item.item.answer.value",
        "item.answer.value.count()",
        "item.select(linkId & '!')",
        "item.select(item).linkId",
        "item.select($index)",
        "item.linkId.combine(item.linkId)",
        "item.linkId | item.linkId",
        "item.linkId.distinct()",
        "item.linkId.isDistinct()",
        "item.linkId.intersect('g' | 'n')",
        "item.linkId.exclude('g' | 'n')",
        "item.linkId.subsetOf(item.linkId)",
        "item.linkId.join('-')",
        "item.linkId.first().toChars()",
        "'a,b'.split(',')",
        "'ab'.upper() & 'c'",
        "repeat(item).linkId",
        "descendants().linkId",
        "children().count()",
        "QuestionnaireResponse.item.linkId",
        "`item`.linkId",
        "item[0].linkId",
        "item.skip(1).take(2).last().linkId",
        "item.linkId.tail()",
        "'g' in item.linkId",
        "item.linkId contains 'z'",
        "(2).power(10)",
        "(16).sqrt()",
        "9.5.floor()",
        "7.2 mod 2",
        "item.first() = item.first()",
        "item.first() ~ item.last()",
        "status is string",
        "item.all(linkId.exists())",
        "iif(item.exists(), 'some', 'none')",
        "@2026-03-04 + 3 days",
    ],
)
def test_the_library_gives_the_same_alone(expression: str) -> None:
    """What counts and what is done step by step changes nothing. Outside source: fhirpathpy."""
    alone: Any = fhirpathpy.evaluate(RESPONSE, expression, None, models["r4"])
    assert value(expression) == [str(v) if isinstance(v, FP_Type) else v for v in alone]


def test_repeat_takes_equal_elements_once_as_the_standard_says() -> None:
    """FHIRPath N1, repeat: only new items, by `=`. Forms must not sum repeated groups with it."""
    assert value("repeat(item).where(linkId = 'x').answer.value.sum()") == [7]


def test_a_variable_is_the_same_each_time_it_is_used() -> None:
    budget = Budget(1000)
    root = Working(read_form(FORM), RESPONSE, budget).root
    known = {"x": evaluate("3", root, {}, budget)}
    assert plain(evaluate("-%x + %x", root, known, budget)) == [0]
    assert plain(evaluate("%x", root, known, budget)) == [3]


def test_trace_writes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    value("item.trace('client').answer.trace('answers', value).count()")
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    "expression",
    [
        "1 +",
        "item.where(",
        "a b",
        "1 = = 2",
        "'open",
        "",
        "item)",
        "unknown()",
        "%unknown",
        "item.sum()",
        "now()",
        "today()",
        "'a'.matches('(a+)+$')",
        "'a'.replace('', 'aaaa')",
        "item.aggregate($this | $total, {})",
        "repeat($this & 'a')",
        "'1'.encode('hex')",
        "1 / 'a'",
        "(1 | 2) + 1",
        "(" * 500 + "1" + ")" * 500,
        "1 + " * (LONGEST // 2),
    ],
)
def test_what_cannot_be_read_or_evaluated_is_told(expression: str) -> None:
    with pytest.raises(ExpressionError) as refusal:
        value(expression)
    assert "one two" not in str(refusal.value)


@pytest.mark.parametrize(
    "expression",
    [
        "descendants().select(%resource.descendants().select(%resource.descendants()))",
        "(1|2|3|4|5|6|7|8|9).select((1|2|3|4|5|6|7|8|9).select((1|2|3|4|5|6|7|8|9).select("
        "(1|2|3|4|5|6|7|8|9).select((1|2|3|4|5|6|7|8|9)))))",
        "repeat(descendants())" + ".select(%resource.descendants())" * 6,
    ],
)
def test_an_endless_expression_is_stopped_by_its_budget(expression: str) -> None:
    with pytest.raises((BudgetError, ExpressionError)):
        value(expression)


def test_choices_are_found_below_a_context() -> None:
    """R4: `value` stands for valueInteger and the like, wherever the element came from."""
    budget = Budget(1000)
    root = Working(read_form(FORM), RESPONSE, budget).root
    focus = node(root["item"][3], "QuestionnaireResponse.item")
    assert plain(evaluate("item.answer.value", focus, {}, budget)) == [7]
    assert plain(evaluate("%context.item.answer.value is integer", focus, {}, budget)) == [True]
