"""Which way is a page found?

Unsorted pages follow `rid`. Where no criterion is narrow, they follow instead the index of one
that is a stretch of it, or all resources of the type, and each row is probed. Sorted pages: see
`sorting.py`. A cursor may be followed by another way than it came from, if it is of the same
order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from service.errors import TooCostly
from service.standard.searching.query import SortKey
from service.store.connection import Connection
from service.store.searching.choice import Driver, bounded_count, choose, driver
from service.store.searching.compiled import Arm, Compiled, Scope
from service.store.searching.cursors import BY_KEYS, Cursor
from service.store.searching.grouped import grouped
from service.store.searching.limits import Limits
from service.store.searching.resources import every_resource
from service.store.searching.seeks import RID, UNORDERED
from service.store.searching.sorting import collected
from service.store.searching.sql import Sql
from service.store.searching.streams import Key, Read, Stream, Walk, along, by_rid, read_on


@dataclass(frozen=True, slots=True)
class Plan:
    """A compiled search. That the caller may see a resource is one of the criteria."""

    connection: Connection
    scope: Scope
    criteria: tuple[Compiled, ...]
    sort: tuple[SortKey, ...]
    limits: Limits

    def probes(self, criteria: Sequence[Compiled]) -> tuple[Sql, ...]:
        """What these criteria ask of each row `d`."""
        return tuple(criterion.probe("d.rid") for criterion in criteria)

    def choose(self) -> Driver | None:
        """The narrowest criterion, if one is narrow."""
        return choose(self.connection, self.criteria, self.limits)

    def size(self, arms: tuple[Arm, ...], limit: int) -> int:
        """Rows that the arms read, not counted further than the limit."""
        return bounded_count(self.connection, arms, limit)


@dataclass(frozen=True, slots=True)
class Page:
    """Keys of one page, the last part of each being the rid; `after` and `before` are where the
    pages around it begin, None where there are none."""

    order: int | None
    keys: tuple[Key, ...]
    after: Key | None
    before: Key | None


@dataclass(frozen=True, slots=True)
class _Way:
    """Streams that follow one another, each with what the sort keys of those before it miss."""

    order: int | None
    streams: tuple[Stream, ...]

    def place(self, key: Key) -> tuple[int, Key]:
        number = 0
        while number < len(self.streams) - 1 and key[number] is None:
            number += 1
        return number, key[number:]

    def key(self, place: tuple[int, Key]) -> Key:
        return (None,) * place[0] + place[1]


def read_page(plan: Plan, cursor: Cursor | None, count: int) -> Page:
    """The page at the cursor, or the first. Raises TooCostly where no way is short enough."""
    best: tuple[_Way, Read] | None = None
    ways = _unsorted(plan, cursor) if not plan.sort else _sorted(plan)
    for way in ways:
        start = None if cursor is None else way.place(cursor.key)
        backwards = cursor is not None and cursor.backwards
        read = read_on(
            plan.connection, way.streams, start, count + 1, plan.limits, backwards=backwards
        )
        if read.stopped is None:
            return _page(way, read, cursor, count)
        best = best or (way, read)
    if best is None or (cursor is None and not best[1].keys):
        raise TooCostly("The search would touch too many resources; narrow it, by client or date")
    return _page(*best, cursor, count)


def _page(way: _Way, read: Read, cursor: Cursor | None, count: int) -> Page:
    keys = tuple(way.key(place) for place in read.keys[:count])
    further: Key | None = None
    if len(read.keys) > count:
        further = keys[-1] if keys else None
    elif read.stopped is not None:
        further = way.key(read.stopped)
    if cursor is None:
        return Page(way.order, keys, further, None)
    if cursor.backwards:
        return Page(way.order, keys[::-1], keys[0] if keys else None, further)
    return Page(way.order, keys, further, keys[0] if keys else None)


def _unsorted(plan: Plan, cursor: Cursor | None) -> Iterator[_Way]:
    if cursor is not None and cursor.order is not None:
        yield _along(plan, cursor.order)
        return
    # One criterion alone, in the right order: nothing to choose, and nothing read in vain.
    alone = len(plan.criteria) == 1 and plan.criteria[0].ordered
    if alone:
        yield _by_rid(plan, driver(plan.criteria, 0, bounded=False))
    chosen = plan.choose()
    if chosen is not None:
        yield _by_rid(plan, chosen)
    else:
        ordered = next((at for at, c in enumerate(plan.criteria) if c.ordered), None)
        if ordered is not None and not alone:
            yield _by_rid(plan, driver(plan.criteria, ordered, bounded=False))
        elif ordered is None:
            walked = None if cursor else _walkable(plan)
            yield _all(plan) if walked is None else _along(plan, walked)
    if chosen is None or not chosen.bounded:
        fallback = _collectable(plan)
        if fallback is not None:
            yield _by_rid(plan, fallback)


def _by_rid(plan: Plan, chosen: Driver) -> _Way:
    walk = by_rid(chosen.arms, plan.probes(chosen.others))
    return _Way(None, (replace(walk, sifts=False) if chosen.bounded else walk,))


def _all(plan: Plan) -> _Way:
    return _Way(None, (by_rid(every_resource(plan.scope), plan.probes(plan.criteria)),))


def _walkable(plan: Plan, places: Sequence[int] | None = None) -> int | None:
    """A criterion whose rows an index gives in order, but for few of them."""
    for at in range(len(plan.criteria)) if places is None else places:
        criterion = plan.criteria[at]
        orders = {arm.order for arm in criterion.arms if arm.order != UNORDERED}
        if len(orders) != 1 or RID in orders:
            continue
        loose = tuple(arm for arm in criterion.arms if arm.order == UNORDERED)
        if plan.size(loose, plan.limits.many) <= plan.limits.many:
            return at
    return None


def _along(plan: Plan, at: int, order: int | None = None, *, descending: bool = False) -> _Way:
    """Along the index of the criterion at this place."""
    chosen = driver(plan.criteria, at, bounded=False)
    criterion, probes = plan.criteria[at], plan.probes(chosen.others)
    (column,) = {arm.order for arm in criterion.arms if arm.order != UNORDERED}
    if criterion.rows is None:
        columns = (f"d.{column}", "d.rid")
        walk = Walk(criterion.arms, columns, probes, sifts=True, descending=descending)
    else:
        rows, arms = criterion.rows, criterion.arms
        walk = along(plan.scope, rows, column, arms, probes, descending=descending)
    return _Way(at if order is None else order, (walk,))


def _sorted(plan: Plan) -> Iterator[_Way]:
    chosen = plan.choose()
    if chosen is not None and not chosen.bounded:
        many = plan.limits.many
        chosen = chosen if plan.size(chosen.arms, many) <= many else None
    if chosen is not None:
        yield _collected(plan, chosen)
        return
    window = _window(plan, plan.sort[0]) if len(plan.sort) == 1 else None
    if window is not None:
        yield _along(plan, window, BY_KEYS, descending=plan.sort[0].descending)
        return
    fallback = _collectable(plan) if len(plan.sort) > 1 else None
    if fallback is None:
        probes = plan.probes(plan.criteria)
        yield _Way(BY_KEYS, grouped(plan.scope, plan.sort, probes, plan.limits))
    if len(plan.sort) == 1:
        fallback = _collectable(plan)
    if fallback is not None:
        yield _collected(plan, fallback)


def _window(plan: Plan, key: SortKey) -> int | None:
    """A criterion whose arms give its resources in the order of the sort key."""
    place = key.parameters[0].number if len(key.parameters) == 1 else key.code
    at = next((at for at, c in enumerate(plan.criteria) if c.window == place), None)
    return at if at is not None and _walkable(plan, (at,)) is not None else None


def _collected(plan: Plan, chosen: Driver) -> _Way:
    probes = plan.probes(chosen.others)
    return _Way(BY_KEYS, (collected(plan.scope, chosen.arms, probes, plan.sort),))


def _collectable(plan: Plan) -> Driver | None:
    """The criterion with the fewest rows, or all resources, if they may just be collected."""
    limit = plan.limits.collected
    sizes = {at: plan.size(c.arms, limit) for at, c in enumerate(plan.criteria) if c.arms}
    at = min(sizes, key=sizes.__getitem__, default=None)
    if at is not None and sizes[at] <= limit:
        return driver(plan.criteria, at, bounded=True)
    every = every_resource(plan.scope)
    return Driver(every, plan.criteria, True, None) if plan.size(every, limit) <= limit else None
