"""What is the value of a FHIRPath expression of a form?

Evaluated by fhirpathpy (FHIRPath N1). Expressions come with Questionnaires, so from outside: each
extraction has one budget, and the functions are those of `functions.py`.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from antlr4 import CommonTokenStream, InputStream, ParseTreeWalker, Token  # type: ignore[import-untyped]
from antlr4.error.ErrorListener import ErrorListener  # type: ignore[import-untyped]
from fhirpathpy import engine
from fhirpathpy.engine import util
from fhirpathpy.engine.nodes import FP_Type, ResourceNode
from fhirpathpy.models import models
from fhirpathpy.parser.ASTPathListener import ASTPathListener
from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

from service.standard.questionnaires.counting import MEMBER
from service.standard.questionnaires.functions import Context, ExpressionError, table
from service.standard.questionnaires.weights import CannotTellError
from service.standard.validation.fhirpath.budget import Budget

LONGEST = 2_000
MOST_RESULTS = 10_000

_PLACES = 15
"""Significant digits of a computed decimal; R4 lets a system keep no more than 18."""

_do_eval: Any = engine.do_eval
_get_data: Any = util.get_data
_create_node: Any = ResourceNode.create_node
_listener: Any = ASTPathListener


def evaluate(
    expression: str, focus: Any, variables: Mapping[str, Any], budget: Budget
) -> list[Any]:
    """The nodes that the expression selects from the focus; `plain` gives their values.

    `variables` are known by their names without `%`: values, `node`s or lists of them. Raises
    ExpressionError, and BudgetError where the budget is spent.
    """
    context = Context(
        dataRoot=[focus],
        vars=_Variables(budget, variables, context=focus, ucum="http://unitsofmeasure.org"),
        model=models["r4"],
        userInvocationTable=table(),
    )
    context.budget = budget
    budget.read(expression)
    tree = _tree(expression)
    try:
        found = _do_eval(context, context["dataRoot"], tree)
    except (ExpressionError, CannotTellError, TimeoutError):
        raise
    except Exception as error:
        # The library raises whatever it meets: what it says may hold a client's data.
        raise ExpressionError(f"it cannot be evaluated ({type(error).__name__})") from None
    if len(found) > MOST_RESULTS:
        raise ExpressionError(f"it gives more than {MOST_RESULTS} values")
    return list(found)


def node(element: Any, path: str) -> Any:
    """An element together with where in R4 it lies, so that choices (`value`) are found."""
    return _create_node(element, path)


def plain(found: list[Any]) -> list[Any]:
    """The values of nodes as JSON values."""
    return [_plain(_get_data(each)) for each in found]


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        if not value.is_finite() or value.adjusted() >= _PLACES:
            raise ExpressionError("it gives a number that is too large")
        rounded = round(value, max(0, min(_PLACES, _PLACES - 1 - value.adjusted())))
        whole = rounded == rounded.to_integral_value()
        return int(rounded) if whole else rounded.normalize()
    return str(value) if isinstance(value, FP_Type) else value


class _Variables(dict[str, Any]):
    """Each use gets a list of its own: the library's minus sign writes into the one it is given."""

    def __init__(self, budget: Budget, known: Mapping[str, Any], **more: Any) -> None:
        super().__init__(known, **more)
        self._budget = budget

    def __getitem__(self, name: str) -> Any:
        value = super().__getitem__(name)
        if not isinstance(value, list):
            return value
        self._budget.take(len(value))
        return list(value)


class _Strict(ErrorListener):  # type: ignore[misc]
    def syntaxError(  # noqa: N802
        self, recognizer: Any, symbol: Any, line: int, column: int, msg: str, e: Any
    ) -> None:
        raise ExpressionError(f"it cannot be read at line {line}, column {column + 1}")


@functools.lru_cache(maxsize=256)
def _tree(expression: str) -> Any:
    """The library's own reader passes over what it cannot read; a score must not."""
    if len(expression) > LONGEST:
        raise ExpressionError(f"it is longer than {LONGEST} characters")
    lexer = FHIRPathLexer(InputStream(expression))
    parser = FHIRPathParser(CommonTokenStream(lexer))
    for reader in (lexer, parser):
        reader.removeErrorListeners()
        reader.addErrorListener(_Strict())
    listener = _listener()
    try:
        tree = parser.expression()
        if parser.getCurrentToken().type != Token.EOF:
            raise ExpressionError("there is something behind its end")
        ParseTreeWalker().walk(listener, tree)
    except RecursionError:
        raise ExpressionError("it is nested too deep") from None
    found = listener.parentStack[0]["children"][0]
    _count_members(found)
    return found


def _count_members(tree: dict[str, Any]) -> None:
    waiting = [tree]
    while waiting:
        each = waiting.pop()
        if each["type"] == "MemberInvocation":
            each["type"] = MEMBER
        waiting += each.get("children", ())
