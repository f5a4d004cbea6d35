"""How many resources match?

R4 search page, #total: `accurate` counts all of them; `estimate` counts among the first rows of
the criterion that drives and takes them for typical.
"""

from __future__ import annotations

from dataclasses import replace

from service.errors import TooCostly
from service.standard.searching.query import Total
from service.store.searching.choice import Driver, driver
from service.store.searching.compiled import Arm
from service.store.searching.resources import every_resource
from service.store.searching.streams import by_rid
from service.store.searching.ways import Plan
from service.store.sql import Sql


def total_of(plan: Plan, wanted: Total) -> int:
    """The number of matches. Raises TooCostly where `accurate` would have to look at too many."""
    chosen = plan.choose() or _widest(plan)
    probes = plan.probes(chosen.others)
    limits = plan.limits
    walk = by_rid(chosen.arms, probes)
    size = plan.size(chosen.arms, limits.counted)
    if wanted == "estimate" and size > limits.many:
        if not walk.sifts or not all(arm.order == "rid" for arm in chosen.arms):
            return size
        end = walk.horizon(plan.connection, limits.many, after=None, backwards=False)
        assert end is not None
        until = Sql("d.rid <= ?", end)
        part = _count(plan, chosen, (*probes, until))
        rows = plan.size(tuple(_until(arm, until) for arm in chosen.arms), limits.counted)
        return round(size * part / max(rows, 1))
    if size > limits.counted and walk.sifts:
        raise TooCostly("Too many resources would have to be looked at to count them")
    return _count(plan, chosen, probes)


def _widest(plan: Plan) -> Driver:
    """Where nothing is narrow: a criterion with an index, or all resources."""
    limit = plan.limits.collected
    sizes = {at: plan.size(c.arms, limit) for at, c in enumerate(plan.criteria) if c.arms}
    at = min(sizes, key=sizes.__getitem__, default=None)
    if at is not None:
        return driver(plan.criteria, at, bounded=False)
    return Driver(every_resource(plan.scope), plan.criteria, False, None)


def _count(plan: Plan, chosen: Driver, probes: tuple[Sql, ...]) -> int:
    unique = chosen.at is None
    parts = [arm.select("d.rid" if unique else "DISTINCT d.rid", probes) for arm in chosen.arms]
    union = (" UNION ALL " if unique else " UNION ").join(part.text for part in parts)
    params = tuple(value for part in parts for value in part.params)
    found = plan.connection.rows(f"SELECT count(*) FROM ({union}) AS matches", params)
    return int(found[0][0])


def _until(arm: Arm, until: Sql) -> Arm:
    stretch = Sql(f"{arm.stretch.text} AND {until.text}", arm.stretch.params + until.params)
    return replace(arm, stretch=stretch)
