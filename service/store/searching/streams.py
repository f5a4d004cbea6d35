"""How are matches read in an order, from a place on, without reading more than a page needs?

A stream gives keys in order; the last part of a key is the `rid`. A criterion that is not
selective can make a stream examine many rows for few matches, so it is read in growing chunks up
to a limit: `horizon` says where a chunk ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from service.store.connection import Connection
from service.store.searching.compiled import Arm, Rows, Scope, param_is
from service.store.searching.limits import Limits
from service.store.searching.seeks import KEYS, named
from service.store.sql import Sql, any_of

Key = tuple[Any, ...]


class Stream(Protocol):
    """Keys of matches in order. `backwards` reads from the end; `after` and `until` bound it in
    the direction of reading, `after` excluded, `until` included."""

    @property
    def sifts(self) -> bool:
        """Whether it may examine many rows that are no matches."""
        ...

    def keys(
        self,
        connection: Connection,
        count: int,
        *,
        after: Key | None,
        until: Key | None = None,
        backwards: bool = False,
    ) -> list[Key]:
        """The next `count` keys."""
        ...

    def horizon(
        self, connection: Connection, size: int, *, after: Key | None, backwards: bool
    ) -> Key | None:
        """The key of the row that is `size` rows ahead; None where there are fewer."""
        ...


@dataclass(frozen=True, slots=True)
class Walk:
    """Reads arms in the order of `columns` of `d`, the last of which is `d.rid`."""

    arms: tuple[Arm, ...]
    columns: tuple[str, ...]
    conditions: tuple[Sql, ...]
    """Probes and, where a resource may have several rows, that this is the one that counts."""
    sifts: bool
    descending: bool = False
    alike: bool = False
    """The arms begin and end at the same places."""

    def keys(
        self,
        connection: Connection,
        count: int,
        *,
        after: Key | None,
        until: Key | None = None,
        backwards: bool = False,
    ) -> list[Key]:
        down = self.descending != backwards
        bounds = self._bounds(after, until, down)
        parts = [self._part(connection, arm, bounds, count, down) for arm in self.arms]
        if len(parts) == 1:
            return connection.rows(*parts[0])
        union = " UNION ".join(f"SELECT * FROM ({p.text}) AS u{at}" for at, p in enumerate(parts))
        params = (*(value for part in parts for value in part.params), count)
        return connection.rows(f"{union} ORDER BY {self._names(down)} LIMIT ?", params)

    def _part(
        self, connection: Connection, arm: Arm, bounds: tuple[Sql, ...], count: int, down: bool
    ) -> Sql:
        """The first `count` keys of one arm."""
        names = ", ".join(f"{column} AS k{at}" for at, column in enumerate(self.columns))
        first, more = self._in_turn(bounds)
        more = (*more, *self.conditions)
        if connection.dialect == "sqlite" or f"d.{arm.order}" == self.columns[0]:
            text, params = arm.select(f"DISTINCT {names}", more, first=first)
            return Sql(f"{text} ORDER BY {_order(self.columns, down)} LIMIT ?", (*params, count))
        # Else PostgreSQL might go through all resources, to have them in order from the start.
        text, params = arm.select(names, more, first=first)
        return Sql(
            f"SELECT DISTINCT * FROM ({text} OFFSET 0) AS d ORDER BY {self._names(down)} LIMIT ?",
            (*params, count),
        )

    def _names(self, down: bool) -> str:
        return _order([f"k{at}" for at in range(len(self.columns))], down)

    def horizon(
        self, connection: Connection, size: int, *, after: Key | None, backwards: bool
    ) -> Key | None:
        down = self.descending != backwards
        bounds = self._bounds(after, None, down)
        order = _order(self.columns, down)
        # An arm in another order is known to be short; it is read up to where the others end.
        first, more = self._in_turn(bounds)
        columns = ", ".join(self.columns)
        parts = [arm.reads(columns, more, first=first) for arm in self._ordered()]
        ends = [
            found[0]
            for part in parts
            if (
                found := connection.rows(
                    f"{part.text} ORDER BY {order} LIMIT 1 OFFSET ?", (*part.params, size - 1)
                )
            )
        ]
        return (max(ends) if down else min(ends)) if ends else None

    def _ordered(self) -> list[Arm]:
        return [arm for arm in self.arms if f"d.{arm.order}" == self.columns[0]]

    def _in_turn(self, bounds: tuple[Sql, ...]) -> tuple[tuple[Sql, ...], tuple[Sql, ...]]:
        """Bounds that go before the stretch of an arm, and those that go after it.

        A place that was reached is further on than where an arm begins, so it goes before: else
        each page would begin there. But where the arms are several stretches of one index, it may
        lie in another of them.
        """
        alike = self.alike or len({arm.stretch.params for arm in self._ordered()}) < 2
        return (bounds, ()) if alike else ((), bounds)

    def _bounds(self, after: Key | None, until: Key | None, down: bool) -> tuple[Sql, ...]:
        beyond, within = ("<", ">=") if down else (">", "<=")
        return tuple(
            _compare(self.columns, sign, key)
            for sign, key in ((beyond, after), (within, until))
            if key is not None
        )


def by_rid(arms: tuple[Arm, ...], probes: tuple[Sql, ...], *, descending: bool = False) -> Walk:
    """Arms that give their rows in the order of `rid`, or few rows."""
    return Walk(arms, ("d.rid",), probes, sifts=_sifts(arms, probes), descending=descending)


def along(
    scope: Scope,
    rows: Rows,
    column: str,
    arms: tuple[Arm, ...],
    probes: tuple[Sql, ...],
    *,
    descending: bool = False,
) -> Walk:
    """Rows of one parameter in the order of a column; a resource comes where its first row is."""
    first = () if rows.single else (_is_first(scope, rows, column, descending),)
    columns = (f"d.{column}", "d.rid")
    sifts = _sifts(arms, probes)
    return Walk(arms, columns, (*first, *probes), sifts=sifts, descending=descending)


def _sifts(arms: tuple[Arm, ...], probes: tuple[Sql, ...]) -> bool:
    return bool(probes) or any(arm.sift for arm in arms)


def _is_first(scope: Scope, rows: Rows, column: str, descending: bool) -> Sql:
    """No other row of the resource in the same stretches comes before this one."""
    alias = scope.alias()
    key = [column, *(name for name in KEYS[rows.table] if name != column)]
    own = ", ".join(f"d.{name}" for name in key)
    other = ", ".join(f"{alias}.{name}" for name in key)
    some = any_of(Sql(named(met.text, alias), met.params) for met in rows.met)
    more = f" AND {some.text}" if rows.met else ""
    sign = ">" if descending else "<"
    earlier = scope.exists(
        f"FROM {scope.by_key(rows.table, alias)}"
        f" WHERE {alias}.rid = d.rid AND {param_is(alias, rows.numbers)}"
        f" AND ({other}) {sign} ({own}){more}"
    )
    return Sql(f"NOT {earlier}", some.params)


def _order(columns: Sequence[str], down: bool) -> str:
    return ", ".join(f"{column} DESC" if down else column for column in columns)


def _compare(columns: tuple[str, ...], sign: str, key: Key) -> Sql:
    if len(columns) == 1:
        return Sql(f"{columns[0]} {sign} ?", key)
    marks = ", ".join("?" * len(columns))
    return Sql(f"({', '.join(columns)}) {sign} ({marks})", key)


@dataclass(frozen=True, slots=True)
class Read:
    """What was read: keys with the number of their stream; `stopped` is how far it was looked
    where the limit ended it."""

    keys: list[tuple[int, Key]]
    stopped: tuple[int, Key] | None = None


def read_on(
    connection: Connection,
    streams: Sequence[Stream],
    start: tuple[int, Key] | None,
    count: int,
    limits: Limits,
    *,
    backwards: bool = False,
) -> Read:
    """The next `count` keys of streams that follow one another."""
    order = range(len(streams))[:: -1 if backwards else 1]
    found: list[tuple[int, Key]] = []
    budget = limits.examined
    for number in order:
        if start is not None and (number > start[0] if backwards else number < start[0]):
            continue
        after = start[1] if start is not None and number == start[0] else None
        size = limits.chunk
        while len(found) < count:
            until = None
            if streams[number].sifts:
                size = min(size, budget)
                until = streams[number].horizon(connection, size, after=after, backwards=backwards)
            keys = streams[number].keys(
                connection, count - len(found), after=after, until=until, backwards=backwards
            )
            found += [(number, key) for key in keys]
            if until is None:
                break
            budget -= size
            size *= 4
            after = until
            if budget <= 0 and len(found) < count:
                return Read(found, (number, until))
        if len(found) >= count:
            break
    return Read(found)
