"""How are the newest or oldest resources with a code found, however many have it?

For some parameters (`service.standard.dated_codes`) an index has each code in the order of the
date of its resource. It is followed from the end that is asked for, and each row is probed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from service.standard.dated_codes import NEVER, dated_codes
from service.standard.search_values import clip
from service.standard.searching.query import Condition, SortKey, TokenValue
from service.store.connection import Connection
from service.store.searching.choice import bounded_count
from service.store.searching.compiled import Arm, Compiled, Dated, Scope
from service.store.searching.limits import Limits
from service.store.searching.merging import MANY
from service.store.searching.seeks import RID
from service.store.searching.spans import DAY, Bounds
from service.store.searching.streams import Walk, by_rid
from service.store.sql import Sql

_INDEX = "index_dated_code_at"


def dated(scope: Scope, condition: Condition) -> Dated | None:
    """The arms of a condition on codes, where there are such rows and not too many codes."""
    codes = list(_codes(condition))
    pairs = [(p.number, dated_codes().get(p.type, {}).get(p.number)) for p in condition.parameters]
    dates = tuple(date for _, date in pairs if date is not None)
    if not codes or len(dates) < len(pairs) or len(codes) * len(pairs) > MANY:
        return None
    source = Sql(scope.by("index_dated_code", "d", _INDEX))
    owns = [
        Sql(f"d.param = {number} AND d.code = ?", (code,)) for number, _ in pairs for code in codes
    ]
    return Dated(
        dates,
        tuple(Arm(source, _and(own, "d.at > ?", NEVER), "at") for own in owns),
        tuple(Arm(source, _and(own, "d.at = ?", NEVER), RID) for own in owns),
    )


def _codes(condition: Condition) -> Iterator[str]:
    """Every code that is looked for; none where a whole system or something else is."""
    values = condition.values
    if not condition.modifier and all(isinstance(v, TokenValue) and v.code for v in values):
        yield from dict.fromkeys(
            clip(v.code) for v in values if isinstance(v, TokenValue) and v.code
        )


def by_date(
    connection: Connection,
    criteria: Sequence[Compiled],
    key: SortKey,
    probes: tuple[Sql, ...],
    limits: Limits,
) -> tuple[Walk, ...]:
    """Streams of all that meet the criteria in the order of a date: with it, then without.

    Empty where the key is no date that comes with a code that is asked for. `probes` are those of
    all criteria, the code included: the rows do not tell its system.
    """
    numbers = {parameter.number for parameter in key.parameters}
    found = next((c.dated for c in criteria if c.dated and set(c.dated.dates) == numbers), None)
    if found is None:
        return ()
    arms, windowed, down = found.valued, False, key.descending
    for window in criteria:
        if window.bounds is not None and {window.window} == numbers:
            low, high = _limits(connection, window, window.bounds, limits.few)
            arms, windowed = tuple(_between(arm, low, high) for arm in arms), True
    columns = ("d.at", "d.rid")
    valued = Walk(arms, columns, probes, sifts=True, descending=down, alike=True)
    if windowed:
        return (valued,)
    return valued, by_rid(found.without, probes, descending=down)


def _limits(
    connection: Connection, window: Compiled, bounds: Bounds, few: int
) -> tuple[int | None, int | None]:
    """Between which starts lies whatever meets the bounds?

    What must reach a time may have begun long before it; if nothing so long is there, it began
    within a day.
    """
    low = bounds.from_
    if low is None and bounds.reach is not None:
        long = tuple(arm for arm in window.arms if arm.order != "low")
        # For a single row PostgreSQL would hope to meet one soon and read the whole table.
        if bounded_count(connection, long, max(few, 1)) == 0:
            low = bounds.reach - DAY
    return low, bounds.to


def _between(arm: Arm, low: int | None, high: int | None) -> Arm:
    """Narrower; the new bounds go first, for SQLite heeds only one."""
    stretch = arm.stretch
    for sign, value in ((">=", low), ("<=", high)):
        if value is not None:
            stretch = Sql(f"d.at {sign} ? AND {stretch.text}", (value, *stretch.params))
    return replace(arm, stretch=stretch)


def _and(own: Sql, text: str, value: int) -> Sql:
    return Sql(f"{own.text} AND {text}", (*own.params, value))
