"""Which ways lead to a page without an order of its own?

Such pages follow `rid`. Where no criterion is narrow, they follow instead the index of one that
is a stretch of it, or all resources of the type, and each row is probed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from service.store.searching.choice import Driver, driver
from service.store.searching.cursors import Cursor
from service.store.searching.resources import every_resource
from service.store.searching.streams import by_rid
from service.store.searching.ways import Plan, Way, along_criterion, collectable, walkable

_TRIALS = 3
"""Ways in the right order that are tried."""


def unsorted_ways(plan: Plan, cursor: Cursor | None) -> Iterator[Way]:
    if cursor is not None and cursor.order is not None:
        yield along_criterion(plan, cursor.order)
        return
    # One criterion alone, in the right order: nothing to choose, and nothing read in vain.
    alone = len(plan.criteria) == 1 and plan.criteria[0].ordered
    if alone:
        yield _by_rid(plan, driver(plan.criteria, 0, bounded=False))
    chosen = plan.choose(plan.limits.few)
    if chosen is None:
        if not alone:
            yield from _trials(plan, cursor)
        chosen = plan.choose(plan.limits.many)
    if chosen is not None:
        yield _by_rid(plan, chosen)
    else:
        ordered = next((at for at, c in enumerate(plan.criteria) if c.ordered), None)
        if ordered is not None and not alone:
            yield _by_rid(plan, driver(plan.criteria, ordered, bounded=False))
        elif ordered is None:
            walked = None if cursor else walkable(plan)
            yield _all(plan) if walked is None else along_criterion(plan, walked)
    if chosen is None or not chosen.bounded:
        fallback = collectable(plan)
        if fallback is not None:
            yield _by_rid(plan, fallback)


def _trials(plan: Plan, cursor: Cursor | None) -> Iterator[Way]:
    """Along what is in order."""
    ordered = [at for at, c in enumerate(plan.criteria) if c.ordered]
    for at in ordered[:_TRIALS]:
        yield replace(_by_rid(plan, driver(plan.criteria, at, bounded=False)), trial=True)
    walked = None if cursor or ordered else walkable(plan)
    if walked is not None:
        yield replace(along_criterion(plan, walked), trial=True)


def _by_rid(plan: Plan, chosen: Driver) -> Way:
    walk = by_rid(chosen.arms, plan.probes(chosen.others))
    return Way(None, (replace(walk, sifts=False) if chosen.bounded else walk,))


def _all(plan: Plan) -> Way:
    return Way(None, (by_rid(every_resource(plan.scope), plan.probes(plan.criteria)),))
