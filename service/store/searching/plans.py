"""How is one page read?

The ways to it are tried in turn. A cursor may be followed by another way than it came from, if it
is of the same order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.errors import TooCostly
from service.store.searching.cursors import Cursor
from service.store.searching.sorted_ways import sorted_ways
from service.store.searching.streams import Key, Read, read_on
from service.store.searching.unsorted_ways import unsorted_ways
from service.store.searching.ways import Plan, Way


@dataclass(frozen=True, slots=True)
class Page:
    """Keys of one page, the last part of each being the rid; `after` and `before` are where the
    pages around it begin, None where there are none."""

    order: int | None
    keys: tuple[Key, ...]
    after: Key | None
    before: Key | None


def read_page(plan: Plan, cursor: Cursor | None, count: int) -> Page:
    """The page at the cursor, or the first. Raises TooCostly where no way is short enough."""
    best: tuple[Way, Read] | None = None
    ways = unsorted_ways(plan, cursor) if not plan.sort else sorted_ways(plan)
    for way in ways:
        start = None if cursor is None else way.place(cursor.key)
        backwards = cursor is not None and cursor.backwards
        limits = replace(plan.limits, examined=plan.limits.chunk) if way.trial else plan.limits
        try:
            read = read_on(
                plan.connection, way.streams, start, count + 1, limits, backwards=backwards
            )
        except TooCostly:
            if way.trial:
                continue
            raise
        if read.stopped is None:
            return _page(way, read, cursor, count)
        if not way.trial:
            best = best or (way, read)
    if best is None or (cursor is None and not best[1].keys):
        raise TooCostly("The search would touch too many resources; narrow it, by client or date")
    return _page(*best, cursor, count)


def _page(way: Way, read: Read, cursor: Cursor | None, count: int) -> Page:
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
