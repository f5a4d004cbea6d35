"""Which functions may the expressions of a form use, and what do they do here?

Those of fhirpathpy, but for what can grow or run without end (`aggregate`, regular expressions,
`replace`, `encode`) or reads the clock, which is refused; `trace`, which would write out a
client's data; what the library does in another way than FHIRPath N1 says, or does twice; and
`weight()` with its older name `ordinal()` (Structured Data Capture), which are added.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from fhirpathpy.engine import util
from fhirpathpy.engine.invocations import invocation_registry as library
from fhirpathpy.engine.nodes import ResourceNode

from service.standard.questionnaires.counting import (
    children,
    counted,
    descendants,
    repeat,
    select,
)
from service.standard.questionnaires.working import Weighed, weight_in
from service.standard.validation.fhirpath.budget import Budget

_UNENDING = ("aggregate", "encode", "decode", "matches", "replace", "replaceMatches")
_CLOCK = ("now", "timeOfDay", "today")
_REFUSED = frozenset({*_UNENDING, *_CLOCK})

_registry: Any = library
_get_data: Any = util.get_data


class ExpressionError(ValueError):
    """The expression cannot be read or evaluated."""


class Context(dict[str, Any]):
    """What the library keeps of an evaluation: every loop goes through here."""

    budget: Budget

    def __getitem__(self, name: str) -> Any:
        self.budget.spend()
        return super().__getitem__(name)

    def __setitem__(self, name: str, value: Any) -> None:
        self.budget.spend()
        super().__setitem__(name, value)


@functools.cache
def table() -> dict[str, dict[str, Any]]:
    """The library's functions, or ours: (context, input, parameters…) → result. All count."""
    found: dict[str, dict[str, Any]] = dict(_registry)
    for name in _REFUSED & _registry.keys():
        found[name] = _registry[name] | {"fn": _refusal(name)}
    for name, function in _NUMBERS.items():
        found[name] = {"fn": function}
    found["round"] = {"fn": _round, "arity": {0: [], 1: ["Number"]}}
    found["weight"] = found["ordinal"] = {"fn": _weight}
    found["trace"] = {"fn": _silent, "arity": {0: [], 1: ["String"], 2: ["String", "Expr"]}}
    found["descendants"] = {"fn": _stepped(descendants)}
    found["children"] = {"fn": _stepped(children)}
    loops: dict[str, Callable[..., Any]] = {
        "where": _where,
        "exists": _exists,
        "all": _all,
        "select": _stepped(select),
        "repeat": _repeat,
    }
    for name, function in loops.items():
        found[name] = _registry[name] | {"fn": _scoped(function)}
    return {name: each | {"fn": counted(name, each["fn"])} for name, each in found.items()}


def _refusal(name: str) -> Callable[..., Any]:
    def refuse(context: Context, *given: Any) -> Any:
        raise ExpressionError(f"{name}() is not offered here")

    return refuse


def _stepped(function: Callable[..., Any]) -> Callable[..., Any]:
    def count(context: Context, *given: Any) -> Any:
        found = function(context, *given)
        context.budget.spend(len(found))
        return found

    return count


def _scoped(function: Callable[..., Any]) -> Callable[..., Any]:
    """A loop after which `$this` and `$index` are what they were; the library leaves its own."""

    def scope(context: Context, *given: Any) -> Any:
        before = {name: context.get(name) for name in ("$this", "$index") if name in context}
        found = function(context, *given)
        context.update(before)
        return found

    return scope


def _where(context: Context, items: list[Any], test: Callable[[Any], list[Any]]) -> Any:
    """The library evaluates the test twice, and so four times where two are nested."""
    found = []
    for index, item in enumerate(items):
        context["$index"] = index
        held = test(item)
        if len(held) > 1:
            raise ExpressionError("where() needs one truth for each element")
        if held and _get_data(held[0]) is not False:
            found.append(item)
    return found


def _exists(context: Context, items: list[Any], *test: Callable[[Any], list[Any]]) -> Any:
    return [bool(_where(context, items, *test) if test else items)]


def _all(context: Context, items: list[Any], test: Callable[[Any], list[Any]]) -> Any:
    return [len(_where(context, items, test)) == len(items)]


def _repeat(context: Context, items: list[Any], project: Callable[[Any], list[Any]]) -> Any:
    """Only along elements that are there: what makes new values may never end."""

    def step(item: Any) -> list[Any]:
        found = project(item)
        if not all(isinstance(each, ResourceNode) for each in found):
            raise ExpressionError("repeat() follows elements only")
        context.budget.spend(len(found))
        return found

    return repeat(context, items, step)


def _silent(context: Context, items: list[Any], *told: Any) -> list[Any]:
    return items


def _weight(context: Context, items: list[Any]) -> list[Any]:
    found = []
    for item in items:
        data = _get_data(item)
        weight = data.weight if isinstance(data, Weighed) else weight_in(data)
        if weight is not None:
            found.append(weight)
    return found


def _round(context: Context, items: list[Any], places: Any = 0) -> list[Any]:
    """Half away from zero (FHIRPath N1, round); the library rounds half to even."""
    if not items:
        return []
    (number,) = _numbers(items)
    digits = int(_get_data(places) or 0)
    if not 0 <= digits <= 28:
        raise ExpressionError("round() takes 0 to 28 places")
    return [number.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)]


def _numbers(items: list[Any]) -> list[Decimal]:
    found = [_get_data(item) for item in items]
    if not all(isinstance(each, int | Decimal) and not isinstance(each, bool) for each in found):
        raise ExpressionError("numbers are needed")
    return [Decimal(each) for each in found]


def _sum(context: Context, items: list[Any]) -> Any:
    return [sum(_numbers(items), Decimal(0))]


def _mean(context: Context, items: list[Any]) -> Any:
    return [sum(_numbers(items), Decimal(0)) / len(items)] if items else []


def _least(context: Context, items: list[Any]) -> Any:
    return [min(_numbers(items))] if items else []


def _greatest(context: Context, items: list[Any]) -> Any:
    return [max(_numbers(items))] if items else []


_NUMBERS = {"sum": _sum, "avg": _mean, "min": _least, "max": _greatest}
