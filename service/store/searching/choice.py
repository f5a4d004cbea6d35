"""Which criterion drives a search?

A criterion that is narrow by its nature is taken at once. Between others a bounded count decides,
so that no choice costs more the larger the store is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.store.connection import Connection
from service.store.searching.compiled import Arm, Compiled, Rank
from service.store.searching.limits import Limits


@dataclass(frozen=True, slots=True)
class Driver:
    """The arms that a search follows, and the other criteria.

    `bounded`: there are so few rows that they may all be read. `at` is the place of the driving
    criterion, None where all resources of the types are gone through.
    """

    arms: tuple[Arm, ...]
    others: tuple[Compiled, ...]
    bounded: bool
    at: int | None


def choose(
    connection: Connection, criteria: Sequence[Compiled], limits: Limits, sizes: Sequence[int]
) -> Driver | None:
    """The narrowest criterion, if it has no more rows than one of `sizes`, tried in turn."""
    natural = [at for at, criterion in enumerate(criteria) if criterion.rank < Rank.OPEN]
    for at in sorted(natural, key=lambda at: criteria[at].rank):
        if criteria[at].ordered:
            return driver(criteria, at, bounded=False)
        if bounded_count(connection, criteria[at].arms, limits.collected) <= limits.collected:
            return driver(criteria, at, bounded=True)
    options = [
        (at, arms) for at, c in enumerate(criteria) for arms in (c.arms, c.other_arms) if arms
    ]
    for limit in sizes:
        found = [bounded_count(connection, arms, limit) for _, arms in options]
        best = min(range(len(options)), key=found.__getitem__, default=None)
        if best is not None and found[best] <= limit:
            at, arms = options[best]
            return replace(driver(criteria, at, bounded=True), arms=arms)
    return None


def driver(criteria: Sequence[Compiled], at: int, *, bounded: bool) -> Driver:
    """This criterion as the driver."""
    others = tuple(c for place, c in enumerate(criteria) if place != at)
    return Driver(criteria[at].arms, others, bounded, at)


def bounded_count(connection: Connection, arms: Sequence[Arm], limit: int) -> int:
    """Rows read by the arms, but not further than one beyond the limit."""
    total = 0
    for arm in arms:
        for select in (*arm.before, arm.reads("1")):
            found = connection.rows(
                f"SELECT count(*) FROM ({select.text} LIMIT ?) AS few",
                (*select.params, limit + 1 - total),
            )
            total += int(found[0][0])
            if total > limit:
                return total
    return total
