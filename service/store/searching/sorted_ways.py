"""Which ways lead to a page in the order of sort keys?

Few matches are collected and sorted. Else the index of the first key is walked (`sorting.py`,
`grouped.py`), or what one criterion leaves of it, or the codes with their dates (`dated.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from service.standard.searching.query import SortKey
from service.store.searching.choice import Driver
from service.store.searching.cursors import BY_KEYS
from service.store.searching.dated import by_date
from service.store.searching.grouped import Grouped, grouped
from service.store.searching.sorting import collected
from service.store.searching.ways import Plan, Way, along_criterion, collectable, walkable


def sorted_ways(plan: Plan) -> Iterator[Way]:
    dated = _dated(plan)
    if dated is not None and len(plan.criteria) == 1:
        yield dated
        dated = None
    chosen = plan.choose(plan.limits.few)
    if chosen is None:
        tried = dated or _walked(plan)
        if tried is not None:
            yield replace(tried, trial=True)
        chosen = plan.choose(plan.limits.many)
    if chosen is not None and not chosen.bounded:
        many = plan.limits.many
        chosen = chosen if plan.size(chosen.arms, many) <= many else None
    if chosen is not None:
        yield _collected(plan, chosen)
    elif dated is not None and not dated.trial:
        yield dated
        yield from _last_resorts(plan)
    else:
        yield from _by_keys(plan)


def _by_keys(plan: Plan) -> Iterator[Way]:
    """In the order of the sort keys, through what may be most of the store."""
    walked = _walked(plan)
    if walked is not None:
        yield walked
        yield from _last_resorts(plan)
        return
    if (fallback := collectable(plan)) is None:
        probes = plan.probes(plan.criteria)
        yield Way(BY_KEYS, grouped(plan.scope, plan.sort, probes, plan.limits))
    else:
        yield _collected(plan, fallback)


def _last_resorts(plan: Plan) -> Iterator[Way]:
    fallback = collectable(plan)
    if fallback is not None:
        yield _collected(plan, fallback)


def _walked(plan: Plan) -> Way | None:
    """Along the only sort key; of a criterion on it, only what that leaves."""
    if len(plan.sort) > 1:
        return None
    window = _window(plan, plan.sort[0])
    if window is not None:
        return along_criterion(plan, window, BY_KEYS, descending=plan.sort[0].descending)
    probes = plan.probes(plan.criteria)
    return Way(BY_KEYS, grouped(plan.scope, plan.sort, probes, plan.limits))


def _dated(plan: Plan) -> Way | None:
    """Along the dates of one code; by further keys, resources of the same date are sorted."""
    probes = plan.probes(plan.criteria)
    walks = by_date(plan.connection, plan.criteria, plan.sort[0], probes, plan.limits)
    if not walks:
        return None
    if len(plan.sort) == 1:
        return Way(BY_KEYS, walks)
    valued, *rest = walks
    many = plan.limits.many
    if any(plan.size(walk.arms, many) > many for walk in rest):
        return None
    first = Grouped(plan.scope, valued, plan.sort, replace(plan.limits, collected=many))
    undated = [collected(plan.scope, walk.arms, probes, plan.sort[1:]) for walk in rest]
    return Way(BY_KEYS, (first, *undated), trial=True)


def _window(plan: Plan, key: SortKey) -> int | None:
    """A criterion whose arms give its resources in the order of the sort key."""
    place = key.parameters[0].number if len(key.parameters) == 1 else key.code
    at = next((at for at, c in enumerate(plan.criteria) if c.window == place), None)
    return at if at is not None and walkable(plan, (at,)) is not None else None


def _collected(plan: Plan, chosen: Driver) -> Way:
    probes = plan.probes(chosen.others)
    return Way(BY_KEYS, (collected(plan.scope, chosen.arms, probes, plan.sort),))
