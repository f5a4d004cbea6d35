"""Where in a resource of a type do the values of its search parameters lie?

The paths of all parameters of a type are laid over each other as a tree of elements, whose ends
write rows. Walking it, a resource pays only for elements it has, and only once for an element
that several parameters use. The tree is compiled to closures at the first resource of a type.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.standard.definitions import Element, SearchParameter, definitions
from service.standard.expressions import (
    Field,
    OfType,
    PresentUnlessFalse,
    Step,
    WhereEquals,
    WhereExtended,
    WhereRefersTo,
    read,
)
from service.standard.extraction.dates import DATES
from service.standard.extraction.quantities import QUANTITIES
from service.standard.extraction.references import REFERENCES
from service.standard.extraction.rows import SearchValues, Use, Writer
from service.standard.extraction.strings import STRINGS, URIS
from service.standard.extraction.tokens import TOKENS

WITHOUT_ROWS = frozenset({"_id", "_lastUpdated"})
"""Answered by the resource table itself."""

LAST_GROUP = 32_767
"""`grp` is a small integer; repetitions beyond share the last number."""

Condition = WhereEquals | WhereExtended
TopWriter = Callable[[Any, SearchValues], None]

_WRITERS: dict[str, dict[str, Callable[[tuple[Use, ...], Element], Writer]]] = {
    "token": TOKENS,
    "reference": REFERENCES,
    "date": DATES,
    "quantity": QUANTITIES,
    "number": QUANTITIES,
    "string": STRINGS,
    "uri": URIS,
}


class _Twig(NamedTuple):
    name: str
    repeats: bool
    conditions: tuple[Condition, ...]


@dataclass(slots=True)
class _Branch:
    """An element in the tree: who takes its value, and what lies below it."""

    ends: dict[tuple[str, Element], list[Use]] = field(default_factory=dict)
    below: dict[_Twig, _Branch] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Walk:
    """What to do with a resource of one type.

    `elements` write the rows of each top-level element; `whole` look at the resource itself;
    `compartment` are the parameters whose references lead to the patient.
    """

    elements: dict[str, TopWriter]
    whole: tuple[TopWriter, ...]
    compartment: frozenset[int]


@functools.cache
def walk_of(type: str) -> Walk:
    """The walk through resources of this type."""
    tree, whole = _Branch(), []
    parameters = definitions().search_parameters(type)
    for parameter in parameters.values():
        if parameter.kind in ("composite", "special") or parameter.code in WITHOUT_ROWS:
            continue
        for path in read(parameter.expression):
            if isinstance(path.steps[-1], PresentUnlessFalse):
                whole.append(_presence(type, path.steps[0], parameter))
            else:
                _lay(tree, type, path.steps, parameter)
    elements: dict[str, list[TopWriter]] = {}
    for twig, branch in tree.below.items():
        elements.setdefault(twig.name, []).append(_top(twig, _writer(branch)))
    return Walk(
        {name: _all_top(writers) for name, writers in elements.items()},
        tuple(whole),
        frozenset(parameters[code].number for code in definitions().compartment(type)),
    )


def _lay(branch: _Branch, path: str, steps: tuple[Step, ...], parameter: SearchParameter) -> None:
    """Lay one path into the tree, along every type that a choice allows."""
    first, rest = steps[0], list(steps[1:])
    assert isinstance(first, Field), f"{parameter.url}: a path begins with an element"
    conditions: list[Condition] = []
    kinds: list[str] = []
    only = ""
    while rest and not isinstance(rest[0], Field):
        match rest.pop(0):
            case WhereEquals() | WhereExtended() as condition:
                conditions.append(condition)
            case OfType(type=kind):
                kinds.append(kind)
            case WhereRefersTo(type=kind):
                only = kind
    for element in _named(path, first.name, kinds):
        if not rest and element.type not in _WRITERS[parameter.kind]:
            continue
        twig = _Twig(element.name, element.repeats, tuple(conditions))
        below = branch.below.setdefault(twig, _Branch())
        if rest:
            _lay(below, element.children, tuple(rest), parameter)
        else:
            below.ends.setdefault((parameter.kind, element), []).append(_use(parameter, only))


def _named(path: str, name: str, kinds: list[str]) -> Iterator[Element]:
    is_a = definitions().is_a
    for element in definitions().elements(path).values():
        if name in (element.name, element.choice) and all(is_a(element.type, k) for k in kinds):
            yield element


def _use(parameter: SearchParameter, only: str) -> Use:
    def number(name: str) -> int:
        twin = definitions().search_parameter(parameter.type, f"{parameter.code}:{name}")
        return twin.number if twin else 0

    return Use(parameter.number, number("identifier"), only, number("of-type"))


def _writer(branch: _Branch) -> Writer:
    """All that is to be done with a value at this place of the tree."""
    writers = [
        _WRITERS[kind][element.type](tuple(uses), element)
        for (kind, element), uses in branch.ends.items()
    ]
    writers += [_below(twig, _writer(lower)) for twig, lower in branch.below.items()]
    if len(writers) == 1:
        return writers[0]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        for writer in writers:
            writer(value, grp, rows)

    return write


def _below(twig: _Twig, writer: Writer) -> Writer:
    name, holds = twig.name, _test(twig.conditions)

    def write_one(value: Any, grp: int, rows: SearchValues) -> None:
        below = value.get(name)
        if below is not None:
            writer(below, grp, rows)

    def write_each(value: Any, grp: int, rows: SearchValues) -> None:
        for below in value.get(name, ()):
            if below is not None and (holds is None or holds(below)):
                writer(below, grp, rows)

    return write_each if twig.repeats else write_one


def _top(twig: _Twig, writer: Writer) -> TopWriter:
    holds = _test(twig.conditions)

    def write_one(value: Any, rows: SearchValues) -> None:
        writer(value, 0, rows)

    def write_each(values: Any, rows: SearchValues) -> None:
        for at, value in enumerate(values, 1):
            if value is not None and (holds is None or holds(value)):
                writer(value, min(at, LAST_GROUP), rows)

    return write_each if twig.repeats else write_one


def _all_top(writers: list[TopWriter]) -> TopWriter:
    if len(writers) == 1:
        return writers[0]

    def write(value: Any, rows: SearchValues) -> None:
        for writer in writers:
            writer(value, rows)

    return write


def _test(conditions: tuple[Condition, ...]) -> Callable[[Any], bool] | None:
    if not conditions:
        return None

    def holds(value: Any) -> bool:
        return all(_meets(value, condition) for condition in conditions)

    return holds


def _meets(value: Any, condition: Condition) -> bool:
    if isinstance(condition, WhereEquals):
        return bool(value.get(condition.name) == condition.value)
    return any(found.get("url") == condition.url for found in value.get("extension", ()))


def _presence(type: str, step: Step, parameter: SearchParameter) -> TopWriter:
    """True for any value but `false`; false where there is none. A value that is only described
    by extensions is neither."""
    assert isinstance(step, Field), f"{parameter.url}: the presence of an element"
    names = [element.name for element in _named(type, step.name, [])]
    yes_or_no = TOKENS["boolean"]((Use(parameter.number),), definitions().elements(type)[names[0]])

    def write(resource: Any, rows: SearchValues) -> None:
        value = next((resource[name] for name in names if name in resource), None)
        if value is not None:
            yes_or_no(value is not False, 0, rows)
        elif not any(f"_{name}" in resource for name in names):
            yes_or_no(False, 0, rows)

    return write
