"""What does a criterion become? A probe, and the arms that may drive a search by it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from itertools import count

from service.caller import Caller
from service.store.connection import Dialect
from service.store.searching.seeks import RID, named
from service.store.searching.spans import Bounds
from service.store.sql import Sql, all_of, any_of
from service.store.visibility import visible


class Rank(IntEnum):
    """How few resources a criterion leaves, by its nature."""

    UNIQUE = 0
    """A handful: an id, an identifier."""
    CLIENT = 1
    """What one client has: not to be counted first, hardly to be beaten."""
    OPEN = 2
    """Must be counted."""


@dataclass(frozen=True, slots=True)
class Arm:
    """Rows `d` of `source`; `d.rid` are resources that meet the criterion.

    `stretch` picks the rows that are read, `sift` those of them that are meant. `order` is the
    column in whose order the index gives the rows, `rid` or another; empty: none. `before` are
    selects that must be known to give few rows, before this one may be tried.
    """

    source: Sql
    stretch: Sql
    order: str
    sift: Sql | None = None
    before: tuple[Sql, ...] = ()

    def select(
        self, columns: str, more: tuple[Sql, ...] = (), *, first: tuple[Sql, ...] = ()
    ) -> Sql:
        """A select of what is meant, under further conditions.

        Of two conditions on where an index begins, SQLite heeds the `first` one.
        """
        own = (self.stretch, self.sift) if self.sift else (self.stretch,)
        return self._select(columns, (*first, *own, *more))

    def reads(
        self, columns: str, more: tuple[Sql, ...] = (), *, first: tuple[Sql, ...] = ()
    ) -> Sql:
        """A select of all rows that are read on the way."""
        return self._select(columns, (*first, self.stretch, *more))

    def _select(self, columns: str, conditions: tuple[Sql, ...]) -> Sql:
        where = all_of(conditions)
        return Sql(
            f"SELECT {columns} FROM {self.source.text} WHERE {where.text}",
            self.source.params + where.params,
        )


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one index table: what is needed to walk them in the order of a column.

    A row must meet one of `met` (any row, where there are none); `single`: no resource has two.
    """

    table: str
    numbers: tuple[int, ...]
    met: tuple[Sql, ...] = ()
    single: bool = False


@dataclass(frozen=True, slots=True)
class Dated:
    """The resources that meet a criterion in the order of their date: `dates` are the numbers of
    its parameters, `valued` the arms in the order of `at`, `without` those of resources that have
    none. What the arms give is only meant where the criterion's own probe holds."""

    dates: tuple[int, ...]
    valued: tuple[Arm, ...]
    without: tuple[Arm, ...]


@dataclass(frozen=True, slots=True)
class Compiled:
    """A criterion ready to run. Without arms it can only probe.

    `other_arms` lead to the same resources by another index. `window` says that the arms give,
    in the order of the parameter with this number, all resources that meet the criterion, each
    where its only value is; `bounds` is what it asks of it. `dated` leads to the resources by
    their date.
    """

    probe: Callable[[str], Sql]
    arms: tuple[Arm, ...] = ()
    rank: Rank = Rank.OPEN
    rows: Rows | None = None
    other_arms: tuple[Arm, ...] = ()
    window: int | str | None = None
    bounds: Bounds | None = None
    dated: Dated | None = None

    @property
    def ordered(self) -> bool:
        """Whether every arm gives its resources in the order of `rid`."""
        return bool(self.arms) and all(arm.order == RID for arm in self.arms)


class Scope:
    """What compiling needs to know: who asks, the types searched, the dialect, fresh names."""

    def __init__(
        self,
        caller: Caller,
        dialect: Dialect,
        types: tuple[str, ...],
        names: Iterator[int] | None = None,
    ) -> None:
        self.caller = caller
        self.dialect: Dialect = dialect
        self.types = types
        self._names = names or count(1)

    def narrowed(self, types: tuple[str, ...]) -> Scope:
        """The same for other types, within the same statement."""
        return Scope(self.caller, self.dialect, types, self._names)

    def alias(self) -> str:
        """A name for a table that is used nowhere else in the statement."""
        return f"a{next(self._names)}"

    def by(self, table: str, alias: str, index: str) -> str:
        """A table to be read by this index. SQLite has no statistics to find it by itself."""
        hint = f" INDEXED BY {index}" if self.dialect == "sqlite" else ""
        return f"{table} {alias}{hint}"

    def by_key(self, table: str, alias: str) -> str:
        """A table to be read by its primary key, (rid, param, …)."""
        return self.by(table, alias, _key_of(table))

    def exists(self, select: str) -> str:
        """There is a row for this `FROM … WHERE …`, to be looked for row by row.

        PostgreSQL would turn it into a join that reads a whole index, did not OFFSET keep it.
        """
        fence = "" if self.dialect == "sqlite" else " OFFSET 0"
        return f"EXISTS (SELECT 1 {select}{fence})"

    def step(self, table: str, alias: str, index: str, where: Sql) -> Sql:
        """To be put behind `FROM …`: for each row so far, the rows of this table by this index.

        `index` empty: by the primary key. Both engines are held to this order: PostgreSQL by
        LATERAL and OFFSET, SQLite by CROSS JOIN.
        """
        if self.dialect == "postgresql":
            inner = f"SELECT * FROM {table} {alias} WHERE {where.text} OFFSET 0"
            return Sql(f" CROSS JOIN LATERAL ({inner}) AS {alias}", where.params)
        hint = f"INDEXED BY {index or _key_of(table)}" if table != "resource" or index else ""
        return Sql(f" CROSS JOIN {table} {alias} {hint} ON {where.text}", where.params)

    def visible(self, rid: str, types: tuple[str, ...] | None = None) -> tuple[Sql, ...]:
        """The condition that the caller may see the resource; none where all may be seen.

        `types` are what the resource may be, where that is known.
        """
        condition = visible(self.caller, rid, "s", types)
        return () if condition is None else (Sql(*condition),)


def _key_of(table: str) -> str:
    """The name that SQLite gives to the primary key of a table without rowid."""
    return f"sqlite_autoindex_{table}_1"


def param_is(alias: str, numbers: tuple[int, ...]) -> str:
    """The parameter of a row is one of these."""
    if not numbers:
        return "FALSE"
    if len(numbers) == 1:
        return f"{alias}.param = {numbers[0]}"
    return f"{alias}.param IN ({', '.join(map(str, numbers))})"


def exists_row(scope: Scope, rows: Rows, rid: str, index: str = "") -> Sql:
    """The resource has one of these rows; `index` leads to them sooner than its own key."""
    alias = scope.alias()
    table = scope.by(rows.table, alias, index) if index else scope.by_key(rows.table, alias)
    some = any_of(Sql(named(met.text, alias), met.params) for met in rows.met)
    more = f" AND {some.text}" if rows.met else ""
    found = scope.exists(
        f"FROM {table} WHERE {alias}.rid = {rid} AND {param_is(alias, rows.numbers)}{more}"
    )
    return Sql(found, some.params)


def negation(condition: Sql) -> Sql:
    """The condition does not hold."""
    return Sql(f"NOT {condition.text}", condition.params)
