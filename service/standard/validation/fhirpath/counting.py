"""How is an expression from outside kept within its budget?

Every node counts its steps and the size of what it gives; what makes many of one item counts
while it makes them, and what compares counts what it looks through. The rules of R4 itself are
compiled without that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from service.standard.validation.fhirpath import json_values
from service.standard.validation.fhirpath.compiler import (
    COMPARISONS,
    Compiler,
    Scope,
    Shapes,
    Truth,
    Values,
)
from service.standard.validation.fhirpath.json_values import KeyPairs
from service.standard.validation.fhirpath.tree import Node, Operation


class CountedCompiler(Compiler):
    """Compiles to closures that raise BudgetError where the budget of their scope is spent."""

    def truth(self, node: Node, shapes: Shapes) -> Truth:
        test = super().truth(node, shapes)

        def counted(this: Any, scope: Scope) -> bool | None:
            scope.budget.spend()
            return test(this, scope)

        return counted

    def values(self, node: Node, shapes: Shapes) -> tuple[Values, Shapes]:
        values, inner = super().values(node, shapes)

        def counted(this: Any, scope: Scope) -> list[Any]:
            scope.budget.spend()
            found = values(this, scope)
            scope.budget.hold(found)
            return found

        return counted, inner

    def each(self, base: Values, made: Callable[[Any, Scope], Iterable[Any]]) -> Values:
        def counted(this: Any, scope: Scope) -> list[Any]:
            found: list[Any] = []
            for item in base(this, scope):
                for one in made(item, scope):
                    scope.budget.take(1)
                    found.append(one)
            return found

        return counted

    def stepped(self, base: Values, keys: KeyPairs) -> Values:
        return self.each(base, lambda item, scope: json_values.step([item], keys))

    def compared(self, values: Values) -> Values:
        def counted(this: Any, scope: Scope) -> list[Any]:
            found = values(this, scope)
            scope.budget.look(found)
            return found

        return counted

    def _comparison(self, node: Operation, shapes: Shapes) -> Truth:
        compare = COMPARISONS[node.sign]
        left, _ = self.values(node.left, shapes)
        right, _ = self.values(node.right, shapes)

        def counted(this: Any, scope: Scope) -> bool | None:
            one, other = left(this, scope), right(this, scope)
            size = scope.budget.look(one)
            scope.budget.look(other)
            if node.sign == "in":
                scope.budget.take(size * len(other))
            return compare(one, other)

        return counted
