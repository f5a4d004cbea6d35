"""Which rows does a comparison of dates mean, and in which stretches of the index do they lie?

R4 search page, #prefix. A row is a closed range, low to high; so is what is searched for, L to H.

    eq  the searched range holds the whole row       ne  it does not
    gt  part of the row lies above                   lt  part of it lies below
    ge  gt or eq                                     le  lt or eq
    sa  the whole row lies above                     eb  the whole row lies below
    ap  the ranges overlap

Rows that end after a time are asked for often, and the index has rows in the order of `low`. But
a row that is no longer than a day begins no earlier than a day before it ends, and those that
are longer have an index of their own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from service.standard.searching.query import DateValue
from service.store.searching.seeks import UNORDERED, Seek
from service.store.sql import Sql, all_of

DAY = 86_400_000_000
_LONG = f"@.high - @.low > {DAY}"
"""As in the condition of `index_date_long`."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """Rows with low from `from_` to `to`, high from `reach` on, and what else is asked."""

    from_: int | None = None
    to: int | None = None
    reach: int | None = None
    rest: tuple[Sql, ...] = ()

    def met(self) -> Sql:
        """The condition on a row."""
        parts = [
            Sql(text, (value,))
            for text, value in (
                ("@.low >= ?", self.from_),
                ("@.low <= ?", self.to),
                ("@.high >= ?", self.reach),
            )
            if value is not None
        ]
        return all_of((*parts, *self.rest))


def bounds_of(value: DateValue) -> list[Bounds]:
    """What a value asks of a row; of several, one must be met."""
    low, high = value.low, value.high
    match value.prefix:
        case "eq":
            return [Bounds(from_=low, to=high, rest=(Sql("@.high <= ?", (high,)),))]
        case "ne":
            return [Bounds(to=low - 1), Bounds(reach=high + 1)]
        case "gt":
            return [Bounds(reach=high + 1)]
        case "lt":
            return [Bounds(to=low - 1)]
        case "ge":
            return [Bounds(reach=low, rest=(Sql("(@.high > ? OR @.low >= ?)", (high, low)),))]
        case "le":
            return [Bounds(to=high, rest=(Sql("(@.low < ? OR @.high <= ?)", (low, high)),))]
        case "sa":
            return [Bounds(from_=high + 1)]
        case "eb":
            return [Bounds(to=low - 1, rest=(Sql("@.high < ?", (low,)),))]
        case "ap":
            return [Bounds(to=high, reach=low)]


def both(one: Bounds, other: Bounds) -> Bounds:
    """The bounds of rows that meet one and the other."""
    return Bounds(
        _of(max, one.from_, other.from_),
        _of(min, one.to, other.to),
        _of(max, one.reach, other.reach),
        one.rest + other.rest,
    )


def span_seeks(bounds: Bounds) -> list[Seek]:
    """The stretches of the index of dates."""
    reach = bounds.reach
    if reach is None or (bounds.from_ is not None and bounds.from_ >= reach):
        return [_by_low(bounds.from_, bounds.to, bounds)]
    start = reach - DAY if bounds.from_ is None else max(bounds.from_, reach - DAY)
    met = bounds.met()
    long = Seek(
        "index_date_long", f"{_LONG} AND @.high >= ?", (reach,), UNORDERED, met.text, met.params
    )
    return [_by_low(start, bounds.to, bounds), long]


def point(bounds: Bounds, column: str) -> Sql:
    """The condition on a point in time."""
    met = bounds.met()
    return Sql(met.text.replace("@.low", column).replace("@.high", column), met.params)


def point_stretch(bounds: Bounds, column: str) -> Sql:
    """The stretch of an index of points in time where they may lie."""
    limits = ((">=", _of(max, bounds.from_, bounds.reach)), ("<=", bounds.to))
    found = [Sql(f"{column} {sign} ?", (value,)) for sign, value in limits if value is not None]
    return all_of(found or [Sql("TRUE")])


def _by_low(from_: int | None, to: int | None, bounds: Bounds) -> Seek:
    ends = (("@.low >= ?", from_), ("@.low <= ?", to))
    stretch = all_of(Sql(text, (value,)) for text, value in ends if value is not None)
    rest = list(bounds.rest)
    if bounds.reach is not None:
        rest.append(Sql("@.high >= ?", (bounds.reach,)))
    sift = all_of(rest)
    return Seek("index_date_low", stretch.text, stretch.params, "low", sift.text, sift.params)


def _of(choice: Any, *values: int | None) -> int | None:
    known: Iterable[int] = [value for value in values if value is not None]
    return choice(known, default=None)  # type: ignore[no-any-return]
