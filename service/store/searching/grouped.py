"""How is a large search paged that is sorted by several keys?

The index of the first key is walked as for one key. Resources that share a value of it stand
together there, and only they can change places by the other keys: so as many whole groups are
taken as a page needs, and sorted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.errors import TooCostly
from service.standard.searching.query import SortKey
from service.store.connection import Connection
from service.store.searching.choice import bounded_count
from service.store.searching.compiled import Arm, Scope
from service.store.searching.limits import Limits
from service.store.searching.sorting import collected, walk_of_key
from service.store.searching.streams import Key, Stream, Walk, read_on
from service.store.sql import Sql

_BEYOND = 2**62
"""Greater than any rid."""


@dataclass(frozen=True, slots=True)
class Grouped:
    """Resources with a value of the first key; keys are (value of each sort key…, rid)."""

    scope: Scope
    walk: Walk
    sort: tuple[SortKey, ...]
    limits: Limits

    @property
    def sifts(self) -> bool:
        return False

    def keys(
        self,
        connection: Connection,
        count: int,
        *,
        after: Key | None,
        until: Key | None = None,
        backwards: bool = False,
    ) -> list[Key]:
        """The next `count` keys. Raises TooCostly where a group is too large to be sorted."""
        down = self.walk.descending != backwards
        start = None if after is None else (after[0], -1 if down else _BEYOND)
        place = None if start is None else (0, start)
        read = read_on(connection, (self.walk,), place, count, self.limits, backwards=backwards)
        if read.stopped is not None:
            raise _refused()
        last = read.keys[-1][1][0] if len(read.keys) == count else None
        first = None if after is None else after[0]
        low, high = (last, first) if down else (first, last)
        arms = tuple(_between(arm, self.walk.columns[0], low, high) for arm in self.walk.arms)
        if bounded_count(connection, arms, self.limits.collected) > self.limits.collected:
            raise _refused()
        whole = collected(self.scope, arms, self.walk.conditions, self.sort)
        return whole.keys(connection, count, after=after, backwards=backwards)

    def horizon(
        self, connection: Connection, size: int, *, after: Key | None, backwards: bool
    ) -> Key | None:
        """None: the walk along the first key looks after itself."""
        return None


def grouped(
    scope: Scope, sort: tuple[SortKey, ...], probes: tuple[Sql, ...], limits: Limits
) -> tuple[Stream, ...]:
    """Streams in the order of the keys: each has what the key before it misses."""
    walk, *rest = walk_of_key(scope, sort[0], probes)
    if len(sort) == 1:
        return (walk, *rest)
    assert isinstance(walk, Walk)
    first = Grouped(scope, walk, sort, limits)
    if not rest:
        return (first,)
    (without,) = rest
    assert isinstance(without, Walk)
    return (first, *grouped(scope, sort[1:], without.conditions, limits))


def _between(arm: Arm, column: str, low: object, high: object) -> Arm:
    """The arm between two values. They go first: SQLite heeds one of several bounds."""
    stretch = arm.stretch
    for sign, value in ((">=", low), ("<=", high)):
        if value is not None:
            stretch = Sql(f"{column} {sign} ? AND {stretch.text}", (value, *stretch.params))
    return replace(arm, stretch=stretch)


def _refused() -> TooCostly:
    return TooCostly(
        "Too many resources share a value of the first sort key; narrow the search, or sort by"
        " one key",
        location="http._sort",
    )
