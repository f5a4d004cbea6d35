"""By which ways can a page be found, and what do they have in common?

A way is streams that follow one another. Which ways are taken, and in which turn: see
`unsorted_ways.py` and `sorted_ways.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.standard.searching.query import SortKey
from service.store.connection import Connection
from service.store.searching.choice import Driver, bounded_count, choose, driver
from service.store.searching.compiled import Arm, Compiled, Scope
from service.store.searching.limits import Limits
from service.store.searching.resources import every_resource
from service.store.searching.seeks import RID, UNORDERED
from service.store.searching.streams import Key, Stream, Walk, along
from service.store.sql import Sql


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

    def choose(self, *sizes: int) -> Driver | None:
        """The narrowest criterion, if it has no more rows than one of these numbers."""
        sizes = sizes or (self.limits.few, self.limits.many)
        return choose(self.connection, self.criteria, self.limits, sizes)

    def size(self, arms: tuple[Arm, ...], limit: int) -> int:
        """Rows that the arms read, not counted further than the limit."""
        return bounded_count(self.connection, arms, limit)


@dataclass(frozen=True, slots=True)
class Way:
    """Streams that follow one another, each with what the sort keys of those before it miss.

    A `trial` looks at one chunk of rows only. Where that gives a page it was worth more than to
    count what other ways would cost, and where not, not much was lost.
    """

    order: int | None
    streams: tuple[Stream, ...]
    trial: bool = False

    def place(self, key: Key) -> tuple[int, Key]:
        number = 0
        while number < len(self.streams) - 1 and key[number] is None:
            number += 1
        return number, key[number:]

    def key(self, place: tuple[int, Key]) -> Key:
        return (None,) * place[0] + place[1]


def walkable(plan: Plan, places: Sequence[int] | None = None) -> int | None:
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


def along_criterion(
    plan: Plan, at: int, order: int | None = None, *, descending: bool = False
) -> Way:
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
    return Way(at if order is None else order, (walk,))


def collectable(plan: Plan) -> Driver | None:
    """The criterion with the fewest rows, or all resources, if they may just be collected."""
    limit = plan.limits.collected
    sizes = {at: plan.size(c.arms, limit) for at, c in enumerate(plan.criteria) if c.arms}
    at = min(sizes, key=sizes.__getitem__, default=None)
    if at is not None and sizes[at] <= limit:
        return driver(plan.criteria, at, bounded=True)
    every = every_resource(plan.scope)
    return Driver(every, plan.criteria, True, None) if plan.size(every, limit) <= limit else None
