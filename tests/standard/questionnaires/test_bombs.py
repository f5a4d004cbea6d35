"""Is an expression of a form refused before it takes time or memory without end?"""

from __future__ import annotations

import pytest

from service.standard.questionnaires.expressions import evaluate, plain
from service.standard.questionnaires.form import read_form
from service.standard.questionnaires.working import Working
from service.standard.validation.fhirpath.budget import Budget, BudgetError
from tests.standard import bombs
from tests.standard.questionnaires.forms import answered, form_of, given, item

TEN = "(0|1|2|3|4|5|6|7|8|9)"
MANY = 600
FORM = form_of(*(item(f"i{number}") for number in range(MANY)), item("t", "string"))
RESPONSE = answered(*(given(f"i{number}", 1) for number in range(MANY)), given("t", "x" * 20_000))
TEXT = "%resource.item.where(linkId = 't').answer.value"
BOMBS = [
    "'x'" + ".select($this & $this)" * 40,
    "9" + ".select($this * $this)" * 40,
    TEN + f".select({TEN})" * 8,
    "(1)" + ".select($this.combine($this))" * 40,
    "('x' | 'y')" + ".select($this | $this & 'a')" * 40,
    "item.select(%questionnaire.item).select(%questionnaire.item)",
    "item.select(%resource.descendants())",
    "item.select(%questionnaire.repeat(item))",
    "item.select(%questionnaire | %questionnaire)",
    "item.select(%resource.item.isDistinct())",
    "item.select(%resource.item.intersect(%resource.item))",
    "item.select(%resource.item.exclude(%resource.item))",
    "item.select(%resource.item.subsetOf(%resource.item))",
    "item.select(1 in %questionnaire.item)",
    "item.select(%questionnaire.toString())",
    f"item.select({TEXT}.toChars())",
    f"item.select({TEXT} & {TEXT})",
    "item.select(%questionnaire.item.linkId.join(','))",
    "item.select(iif(true, %questionnaire.item))",
]


def explode(expression: str) -> int:
    budget = Budget()
    root = Working(read_form(FORM), RESPONSE, budget).root
    known = {"resource": root, "questionnaire": FORM}
    return len(plain(evaluate(expression, root, known, budget)))


def test_a_bomb_is_refused_in_time_and_memory() -> None:
    found = bombs.results_of(__name__)
    assert [each.bomb for each in found] == BOMBS
    for each in found:
        assert each.outcome == "BudgetError", each
        assert each.seconds < bombs.MOST_SECONDS, each


def test_reading_many_expressions_is_counted() -> None:
    """The grammar takes a tenth of a second for some."""
    root, budget = Working(read_form(FORM), RESPONSE, Budget()).root, Budget()

    def read(count: int) -> None:
        for number in range(count):
            evaluate("+".join(["1"] * 100) + f"+{number}", root, {}, budget)

    read(20)
    with pytest.raises(BudgetError):
        read(100)


if __name__ == "__main__":
    bombs.run(BOMBS, explode)
