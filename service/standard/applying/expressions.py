"""What does an expression of a definition come to, for this client?

`text/fhirpath` only, in the part of FHIRPath that `validation/fhirpath` reads. The client is the
context; `%name` is what the operation was given, and empty where it was given nothing.
R4: Expression; PlanDefinition.action.condition ("must evaluate to true").
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.errors import Invalid, NotSupported, TooCostly
from service.standard.validation.fhirpath.budget import Budget, BudgetError
from service.standard.validation.fhirpath.compiler import Scope, Shapes, Values
from service.standard.validation.fhirpath.counting import CountedCompiler
from service.standard.validation.fhirpath.tree import NotReadableError, Variable, read

Resource = dict[str, Any]

LANGUAGE = "text/fhirpath"
LONGEST = 2000
_READ = 50
"""Room for reading an expression, beside that for its length."""


def is_true(
    expression: Resource,
    subject: Resource,
    variables: Mapping[str, Any],
    budget: Budget,
    where: str,
) -> bool:
    """Whether an Expression is true; empty is not true."""
    return values_of(expression, subject, variables, budget, where) == [True]


def values_of(
    expression: Resource,
    subject: Resource,
    variables: Mapping[str, Any],
    budget: Budget,
    where: str,
) -> list[Any]:
    """The collection that an Expression comes to.

    Raises NotSupported for another language, Invalid for what cannot be read, TooCostly where
    the budget is spent.
    """
    language, text = expression.get("language"), expression.get("expression")
    if language != LANGUAGE or not isinstance(text, str):
        raise NotSupported(
            f"Only expressions in {LANGUAGE} are evaluated here, not {str(language)[:40]!r}",
            expression=where,
        )
    if len(text) > LONGEST:
        raise NotSupported(f"An expression has at most {LONGEST} characters", expression=where)
    try:
        budget.take(_READ + 2 * len(text))
        compiler = _WithVariables(subject["resourceType"], variables)
        found, _ = compiler.values(read(text), frozenset({subject["resourceType"]}))
        return found(subject, Scope(subject, subject, {}, budget))
    except BudgetError as error:
        raise TooCostly(str(error), expression=where) from None
    except (NotReadableError, RecursionError) as error:
        reason = "nested too deep" if isinstance(error, RecursionError) else str(error)[:200]
        raise Invalid(f"The expression cannot be read: {reason}", expression=where) from None


class _WithVariables(CountedCompiler):
    def __init__(self, root: str, variables: Mapping[str, Any]) -> None:
        super().__init__(root)
        self._variables = variables

    def _variable(self, node: Variable, shapes: Shapes) -> tuple[Values, Shapes]:
        if node.name not in self._variables:
            return super()._variable(node, shapes)
        value = self._variables[node.name]
        held = [] if value is None else list(value) if isinstance(value, list) else [value]
        return (lambda this, scope: held), None
