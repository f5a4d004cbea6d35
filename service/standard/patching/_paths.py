"""To which elements of a resource does the path of a FHIRPath Patch lead?

Evaluates what `_grammar.py` reads, on places rather than values, so that they can be changed.
FHIRPath N1; R4, FHIRPath Patch: functions that select, no functions that make new values.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any

from service.standard.definitions import definitions
from service.standard.patching._grammar import (
    Binary,
    Call,
    Expression,
    Index,
    Literal,
    Name,
    Path,
    PathFaultError,
    Whole,
)
from service.standard.patching._places import Place, children, whole

MAX_VISITS = 200_000
_GENERAL = ("Resource", "DomainResource")


class NoPlaceError(ValueError):
    """The path can be read, but does not lead where the operation needs it to."""


class TooLongError(ValueError):
    """Too many elements would have to be looked at."""


class Walk:
    """Evaluates paths on one resource, with a limit to the elements looked at in all."""

    def __init__(self, resource: dict[str, Any]) -> None:
        self._whole = whole(resource)
        self._left = MAX_VISITS

    def places(self, path: Expression) -> list[Place]:
        """The elements this path leads to. Raises PathFaultError, NoPlaceError, TooLongError."""
        return self._places(path, self._whole)

    def owner(self, path: Expression) -> tuple[list[Place], str]:
        """Of a path to a whole list: the elements that may hold it, and its name."""
        if not isinstance(path, Path) or not path.steps or not isinstance(path.steps[-1], Name):
            raise PathFaultError("The path must end with the name of a list")
        return self.places(Path(path.start, path.steps[:-1])), path.steps[-1].name

    def _places(self, expression: Expression, here: Place) -> list[Place]:
        if isinstance(expression, Whole):
            return [self._whole]
        if not isinstance(expression, Path):
            raise PathFaultError("The path must lead to an element")
        found = [here]
        if expression.start is not None:
            found = self._places(expression.start, here)
        steps = list(expression.steps)
        if expression.start is None and steps and _names_type(steps[0], here):
            del steps[0]
        for step in steps:
            found = self._step(step, found)
        return found

    def _step(self, step: Name | Index | Call, found: list[Place]) -> list[Place]:
        if isinstance(step, Index):
            return found[step.number : step.number + 1]
        if isinstance(step, Name):
            _check_known(step.name, found)
            return self._visited(child for place in found for child in children(place, step.name))
        if step.name in _SLICES:
            return _SLICES[step.name](found, *map(_number, step.arguments))
        if step.name == "where":
            condition = _only(step)
            return [place for place in found if self._holds(condition, place)]
        if step.name == "extension":
            url = _only(step)
            if not isinstance(url, Literal):
                raise PathFaultError("extension() needs a text")
            nested = self._step(Name("extension"), found)
            return [place for place in nested if place.inner.get("url") == url.value]
        if step.name in ("ofType", "as"):
            wanted = _type_name(_only(step))
            return [place for place in found if _is_type(place, wanted)]
        raise PathFaultError(f"A patch cannot use {step.name}() in a path")

    def _visited(self, places: Iterable[Place]) -> list[Place]:
        found = []
        for place in places:
            self._look()
            found.append(place)
        return found

    def _look(self) -> None:
        self._left -= 1
        if self._left < 0:
            raise TooLongError("The paths look at too many elements")

    def _holds(self, condition: Expression, here: Place) -> bool:
        return _truth(self._values(condition, here)) is True

    def _values(self, expression: Expression, here: Place) -> list[Any]:
        self._look()
        if isinstance(expression, Literal):
            return [expression.value]
        if isinstance(expression, Binary):
            return self._binary(expression, here)
        question = _question(expression)
        if question is None:
            return [place.content.value for place in self._places(expression, here)]
        path, asked = question
        if asked.name == "not":
            true = _truth(self._values(path, here))
            return [] if true is None else [not true]
        if asked.arguments:
            path = Path(path, (Call("where", asked.arguments),))
        return [bool(self._places(path, here)) is (asked.name == "exists")]

    def _binary(self, expression: Binary, here: Place) -> list[Any]:
        left, right = self._values(expression.left, here), self._values(expression.right, here)
        if expression.operator in ("and", "or"):
            return _logic(expression.operator == "or", _truth(left), _truth(right))
        alike = expression.operator in ("~", "!~")
        if not alike and (not left or not right):
            return []
        equal = len(left) == len(right) and all(
            _equal(a, b, alike) for a, b in zip(left, right, strict=True)
        )
        return [equal is not expression.operator.startswith("!")]


def _question(expression: Expression) -> tuple[Expression, Call] | None:
    """What is asked about and the last step, where that asks for a yes or no."""
    if not isinstance(expression, Path) or not expression.steps:
        return None
    last = expression.steps[-1]
    if not isinstance(last, Call) or last.name not in ("exists", "empty", "not"):
        return None
    if last.arguments and last.name != "exists":
        raise PathFaultError(f"{last.name}() takes nothing")
    if expression.start is not None and len(expression.steps) == 1:
        return expression.start, last
    return Path(expression.start, expression.steps[:-1]), last


def _truth(values: list[Any]) -> bool | None:
    """A condition is empty, a boolean, or one element, which counts as true."""
    if len(values) != 1:
        return None
    return values[0] if isinstance(values[0], bool) else True


def _logic(decisive: bool, left: bool | None, right: bool | None) -> list[Any]:
    """`or` is decided by one true side, `and` by one false side; else empty stays empty."""
    if decisive in (left, right):
        return [decisive]
    return [] if left is None or right is None else [not decisive]


def _equal(a: Any, b: Any, alike: bool) -> bool:
    if alike and isinstance(a, str) and isinstance(b, str):
        return " ".join(a.split()).casefold() == " ".join(b.split()).casefold()
    numbers = int | float | Decimal
    if isinstance(a, numbers) and isinstance(b, numbers):
        return isinstance(a, bool) is isinstance(b, bool) and a == b
    return type(a) is type(b) and bool(a == b)


def _names_type(step: Name | Index | Call, here: Place) -> bool:
    """Whether the path starts with the type of the resource it stands on."""
    return (
        isinstance(step, Name) and here.owner is None and step.name in (here.definition, *_GENERAL)
    )


def _check_known(name: str, found: list[Place]) -> None:
    """A name that no definition has is a mistake in the path, not an absent element."""
    for place in found:
        elements = definitions().elements(place.definition)
        if not elements or (place.element is not None and place.element.choice):
            return
        if name in elements or any(element.choice == name for element in elements.values()):
            return
    if found:
        raise PathFaultError(f"{found[0].text} has no element {name[:40]!r}")


def _only(step: Call) -> Expression:
    if len(step.arguments) != 1:
        raise PathFaultError(f"{step.name}() takes one argument")
    return step.arguments[0]


def _number(argument: Expression) -> int:
    if not isinstance(argument, Literal) or not isinstance(argument.value, Decimal):
        raise PathFaultError("A number is needed")
    if argument.value > 2**31 or argument.value % 1:
        raise PathFaultError("A whole number is needed")
    return int(argument.value)


def _type_name(argument: Expression) -> str:
    if isinstance(argument, Path) and argument.start is None and argument.steps:
        last = argument.steps[-1]
        if isinstance(last, Name):
            return last.name
    raise PathFaultError("ofType() needs the name of a type")


def _is_type(place: Place, wanted: str) -> bool:
    if place.element is None or place.element.type == "Resource":
        return place.definition == wanted
    return place.element.type == wanted


def _single(found: list[Place]) -> list[Place]:
    if len(found) > 1:
        raise NoPlaceError(f"single() finds {len(found)} elements")
    return found


def _slice(named: str, many: int, cut: Callable[..., list[Place]]) -> Callable[..., list[Place]]:
    """A function of the path that keeps some of the elements by their position."""

    def sliced(found: list[Place], *numbers: int) -> list[Place]:
        if len(numbers) != many:
            raise PathFaultError(f"{named}() takes {many or 'no'} argument")
        return cut(found, *numbers)

    return sliced


_SLICES = {
    "first": _slice("first", 0, lambda found: found[:1]),
    "last": _slice("last", 0, lambda found: found[-1:]),
    "tail": _slice("tail", 0, lambda found: found[1:]),
    "single": _slice("single", 0, _single),
    "skip": _slice("skip", 1, lambda found, number: found[number:]),
    "take": _slice("take", 1, lambda found, number: found[:number]),
}
