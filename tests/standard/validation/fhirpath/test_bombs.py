"""Is an expression of a plan or profile refused before it takes time or memory without end?"""

from __future__ import annotations

from typing import Any

from service.standard.validation.fhirpath.budget import Budget
from service.standard.validation.fhirpath.compiler import Scope
from service.standard.validation.fhirpath.counting import CountedCompiler
from service.standard.validation.fhirpath.tree import read
from tests.standard import bombs

TEN = "(0|1|2|3|4|5|6|7|8|9)"
GROUPS = "\\\\1" * 200
LARGE: dict[str, Any] = {
    "resourceType": "Patient",
    "name": [{"family": f"n{number}", "given": ["a", "b"]} for number in range(1000)],
    "photo": [{"data": "A" * 1_000_000}],
}
BOMBS = [
    "'x'" + ".select($this & $this)" * 40,
    "'x'" + ".select($this + $this)" * 40,
    f"'x'.replaceMatches('', '{'y' * 900}')" + f".replaceMatches('', '{'y' * 900}')" * 3,
    "%resource.photo.data" + f".replaceMatches('^(.*)$', '{GROUPS}')" * 4,
    "name.select(%resource.photo.data.replaceMatches('A.*?B|A', 'x'))",
    "name.select(%resource.photo.data.matches('(A?){300}(A){300}$'))",
    "name.select(%resource.photo.data.matches('(A{1,500}){1,2}B'))",
    "name.select(%resource.photo.data & %resource.photo.data)",
    TEN + f".select({TEN}" * 6 + ")" * 6,
    TEN + f".select({TEN})" * 8,
    "(1)" + ".select($this.combine($this))" * 40,
    "name.given.combine(name.given)" + ".combine(name.given)" * 200,
    "name.select(%resource.name).select(%resource.name)",
    "name.select(%resource.name.given)",
    "name.select(%resource.children()).select(%resource.children())",
    "descendants().select(%resource.descendants())",
    "name.select(%resource | %resource)",
    "name.select(%resource.name.isDistinct())",
    "name.select(%resource.name.intersect(%resource.name))",
    "name.select(%resource.name = %resource.name)",
    "name.where(%resource.name in %resource.name)",
    "name.where(%resource.name.where(%resource.name.exists()).exists())",
    "name.all(%resource.name.all(%resource.name.all(family.exists())))",
]


def explode(expression: str) -> int:
    values, _ = CountedCompiler("Patient").values(read(expression), frozenset({"Patient"}))
    return len(values(LARGE, Scope(LARGE, LARGE, {}, Budget())))


def test_a_bomb_is_refused_in_time_and_memory() -> None:
    found = bombs.results_of(__name__)
    assert [each.bomb for each in found] == BOMBS
    for each in found:
        assert each.outcome == "BudgetError", each
        assert each.seconds < bombs.MOST_SECONDS, each


if __name__ == "__main__":
    bombs.run(BOMBS, explode)
