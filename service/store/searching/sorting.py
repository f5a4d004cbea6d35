"""In which order do matches come, and how is a page of a sorted search found?

Two ways lead to the same order. Where few resources match, they are collected and sorted. Else
the index of the sort parameter is walked, and each resource on the way is probed; then come those
without a value. R4 search page, #sort: of several values the one that comes first counts.
A period is sorted by its start, a text without case and accents.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.standard.multiplicity import single_valued
from service.standard.searching.query import SortKey
from service.store.connection import Connection
from service.store.searching.compiled import Arm, Rows, Scope, exists_row, negation, param_is
from service.store.searching.resources import every_resource
from service.store.searching.seeks import TABLES
from service.store.searching.streams import Key, Stream, Walk, along, by_rid
from service.store.sql import Sql, all_of, any_of

_COLUMNS = {
    "index_token": ("code", "index_token_code"),
    "index_reference": ("target_id", "index_reference_target"),
    "index_date": ("low", "index_date_low"),
    "index_string": ("folded", "index_string_folded"),
    "index_quantity": ("low", "index_quantity_low"),
    "index_uri": ("value", "index_uri_value"),
}
"""The column that a parameter is sorted by, and the index that has it in order."""

_RESOURCE = {"_id": ("id", "resource_identity"), "_lastUpdated": ("updated", "resource_updated")}


def walk_of_key(scope: Scope, key: SortKey, probes: tuple[Sql, ...]) -> tuple[Stream, ...]:
    """All resources of the types searched in the order of one key: with a value, then without."""
    if not key.parameters:
        return (_walk_resources(scope, key, probes),)
    numbers, table = _numbers(key), _table(key)
    column, index = _COLUMNS[table]
    source = Sql(scope.by(table, "d", index))
    arms = tuple(Arm(source, Sql(param_is("d", (number,))), column) for number in numbers)
    rows = Rows(table, numbers, single=all(map(single_valued, key.parameters)))
    valued = along(scope, rows, column, arms, probes, descending=key.descending)
    without = negation(exists_row(scope, Rows(table, numbers), "d.rid"))
    rest = by_rid(every_resource(scope), (without, *probes), descending=key.descending)
    return valued, rest


def _walk_resources(scope: Scope, key: SortKey, probes: tuple[Sql, ...]) -> Walk:
    column, index = _RESOURCE[key.code]
    source = Sql(scope.by("resource", "d", index))
    arms = tuple(
        Arm(source, Sql("d.type = ?", (type_,)), column, Sql("d.deleted = FALSE"))
        for type_ in scope.types
    )
    columns = (f"d.{column}", "d.rid")
    return Walk(arms, columns, probes, sifts=True, descending=key.descending)


@dataclass(frozen=True, slots=True)
class Collected:
    """Few matches, sorted by any keys. A key of the stream is (value of each sort key…, rid)."""

    arms: tuple[Arm, ...]
    probes: tuple[Sql, ...]
    sort: tuple[SortKey, ...]
    values: tuple[str, ...]
    """SQL of the value of each sort key for the resource `u.rid`."""

    @property
    def sifts(self) -> bool:
        return False

    def keys(
        self,
        connection: Connection,
        count: int,
        *,
        after: Key | None,
        until: Key | None = None,
        backwards: bool = False,
    ) -> list[Key]:
        """The next `count` keys, all matches having been sorted."""
        union = _union(self.arms, self.probes)
        names = [f"k{at}" for at in range(len(self.values))]
        values = ", ".join(f"{v} AS {n}" for v, n in zip(self.values, names, strict=True))
        beyond = Sql("TRUE") if after is None else self._beyond(names, after, backwards)
        return connection.rows(
            f"WITH keyed AS MATERIALIZED (SELECT {values}, u.rid AS rid FROM ({union.text}) AS u)"
            f" SELECT {', '.join(names)}, rid FROM keyed WHERE {beyond.text}"
            f" ORDER BY {self._order(names, backwards)} LIMIT ?",
            (*union.params, *beyond.params, count),
        )

    def horizon(
        self, connection: Connection, size: int, *, after: Key | None, backwards: bool
    ) -> Key | None:
        """None: all of them are read at once."""
        return None

    def _order(self, names: Sequence[str], backwards: bool) -> str:
        parts = []
        for name, key in zip(names, self.sort, strict=True):
            down = " DESC" if key.descending != backwards else ""
            parts.append(f"({name} IS NULL){' DESC' if backwards else ''}, {name}{down}")
        down = " DESC" if self.sort[-1].descending != backwards else ""
        return ", ".join((*parts, f"rid{down}"))

    def _beyond(self, names: Sequence[str], after: Key, backwards: bool) -> Sql:
        """Keys that come after this one: equal in the first parts, beyond it in the next."""
        alternatives: list[Sql] = []
        equal: list[Sql] = []
        for name, key, value in zip(names, self.sort, after, strict=False):
            beyond = _beyond_value(name, value, key.descending != backwards, backwards)
            alternatives.append(all_of((*equal, beyond)))
            same = f"{name} IS NULL" if value is None else f"{name} = ?"
            equal.append(Sql(same, () if value is None else (value,)))
        sign = "<" if self.sort[-1].descending != backwards else ">"
        alternatives.append(all_of((*equal, Sql(f"rid {sign} ?", (after[-1],)))))
        return any_of(alternatives)


def collected(
    scope: Scope, arms: tuple[Arm, ...], probes: tuple[Sql, ...], sort: tuple[SortKey, ...]
) -> Collected:
    """Sort what the arms give."""
    return Collected(arms, probes, sort, tuple(_value(scope, key) for key in sort))


def _union(arms: tuple[Arm, ...], probes: tuple[Sql, ...]) -> Sql:
    parts = [arm.select("DISTINCT d.rid", probes) for arm in arms]
    return Sql(
        " UNION ".join(part.text for part in parts),
        tuple(value for part in parts for value in part.params),
    )


def _beyond_value(name: str, value: object, down: bool, backwards: bool) -> Sql:
    """Those without a value come last, so first when read backwards."""
    if value is None:
        return Sql(f"{name} IS NOT NULL") if backwards else Sql("FALSE")
    if backwards:
        return Sql(f"{name} {'<' if down else '>'} ?", (value,))
    return Sql(f"({name} {'<' if down else '>'} ? OR {name} IS NULL)", (value,))


def _value(scope: Scope, key: SortKey) -> str:
    alias = scope.alias()
    if not key.parameters:
        column, _ = _RESOURCE[key.code]
        return f"(SELECT {alias}.{column} FROM resource {alias} WHERE {alias}.rid = u.rid)"
    column, _ = _COLUMNS[_table(key)]
    function = "max" if key.descending else "min"
    return (
        f"(SELECT {function}({alias}.{column}) FROM {scope.by_key(_table(key), alias)}"
        f" WHERE {alias}.rid = u.rid AND {param_is(alias, _numbers(key))})"
    )


def _table(key: SortKey) -> str:
    return TABLES[key.parameters[0].kind]


def _numbers(key: SortKey) -> tuple[int, ...]:
    return tuple(parameter.number for parameter in key.parameters)
