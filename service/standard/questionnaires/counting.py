"""How is what the library makes for an expression kept within the budget?

fhirpathpy counts nothing. Each of its functions is held here to what it looks through before, and
to what it made after; where it would make much at once, or copies a collection for each of its
items, we do the same step by step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any

from fhirpathpy.engine import util
from fhirpathpy.engine.evaluators import create_reduce_member_invocation, evaluators
from fhirpathpy.engine.invocations import navigation

from service.standard.validation.fhirpath.budget import Budget

MEMBER = "CountedMember"
"""What a step to an element is called in our trees, so that it is evaluated here."""
_CALL = 10
"""Room for calling a function of the library, which makes its whole table anew each time."""
_LARGEST = 1_000
"""Digits of a number before its point, or places behind it."""

_COMPARING = frozenset(
    ("=", "!=", "~", "!~", "inOp", "containsOp", "|", "union", "distinct", "isDistinct", "toString")
)
_UNITING = frozenset(("|", "union", "distinct", "isDistinct"))
"""These put together a table of units at each call."""
_PAIRING = frozenset(("exclude", "intersect", "subsetOf", "supersetOf"))
_EXTENSIONS = frozenset(("extension", "weight", "ordinal"))
_SPLITTING = frozenset(("toChars", "split"))

_get_data: Any = util.get_data
_is_capitalized: Any = util.is_capitalized
_evaluators: dict[str, Any] = evaluators
_member: Any = evaluators["MemberInvocation"]
_children_of: Any = navigation.create_reduce_children
_step_to: Any = create_reduce_member_invocation


class NumberTooLargeError(ValueError):
    """A number has more digits than are computed with here."""


def counted(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
    """The function, held to the budget of its context."""

    def count(context: Any, *given: Any) -> Any:
        budget: Budget = context.budget
        budget.take(8 * _CALL if name in _UNITING else _CALL)
        lists = [each for each in given if isinstance(each, list)]
        _look(budget, name, lists, given)
        for each in given:
            _check_number(each[0] if isinstance(each, list) and len(each) == 1 else each)
        found = function(context, *given)
        _check_number(found)
        budget.hold(found if isinstance(found, list) else [found])
        return found

    return count


def _look(budget: Budget, name: str, lists: list[list[Any]], given: tuple[Any, ...]) -> None:
    """Take what the function looks through, which may be more than it gives."""
    if name in _COMPARING:
        _look_through(budget, lists)
    elif name in _PAIRING and len(lists) == 2:
        size = _look_through(budget, lists[:1])
        budget.take(size * len(lists[1]))
    elif name in _EXTENSIONS:
        for item in lists[0]:
            data = _get_data(item)
            if isinstance(data, dict):
                budget.take(len(dict.get(data, "extension") or ()))
    elif name in _SPLITTING:
        budget.take(sum(len(text) for text in _texts(lists[0])))
    elif name == "join":
        glue = len(given[1]) if len(given) > 1 else 0
        budget.take(sum(len(text) + glue for text in _texts(lists[0])) >> 6)


def _look_through(budget: Budget, lists: Iterable[list[Any]]) -> int:
    return sum(budget.look(_get_data(item)) for each in lists for item in each)


def _texts(items: list[Any]) -> Iterable[str]:
    return (data for item in items if isinstance(data := _get_data(item), str))


def _check_number(value: Any) -> None:
    value = _get_data(value)
    if isinstance(value, Decimal) and value.is_finite() and abs(value.adjusted()) > _LARGEST:
        raise NumberTooLargeError


def select(context: Any, items: list[Any], project: Callable[[Any], list[Any]]) -> list[Any]:
    """The library copies all that it has found for each item."""
    found: list[Any] = []
    for index, item in enumerate(items):
        context["$index"] = index
        made = project(item)
        context.budget.take(len(made))
        found += made
    return found


def repeat(context: Any, items: list[Any], step: Callable[[Any], list[Any]]) -> list[Any]:
    """Likewise."""
    known: set[Any] = set()
    found: list[Any] = []
    waiting = list(items)
    while waiting:
        level, waiting = waiting, []
        for item in level:
            made = step(item)
            _look_through(context.budget, [made])
            new = [each for each in made if each not in known]
            known.update(new)
            found += new
            waiting += new
    return found


def children(context: Any, items: list[Any]) -> list[Any]:
    """Likewise."""
    return _below(context, items, _children_of(context, True))


def descendants(context: Any, items: list[Any]) -> list[Any]:
    """Likewise."""
    found: list[Any] = []
    step = _children_of(context, False)
    level = _below(context, items, step)
    while level:
        found += level
        level = _below(context, level, step)
    return found


def _below(context: Any, items: list[Any], step: Callable[..., list[Any]]) -> list[Any]:
    found: list[Any] = []
    for item in items:
        made = step([], item)
        context.budget.take(1 + len(made))
        found += made
    return found


def _to_member(context: Any, items: Any, node: Any) -> Any:
    """`.name`; a capital is the name of a type, which gives no more than there is."""
    name = node["children"][0]["text"].strip("`")
    if not isinstance(items, list) or _is_capitalized(name):
        return _member(context, items, node)
    return _below(context, items, _step_to(context["model"], name))


_evaluators[MEMBER] = _to_member
