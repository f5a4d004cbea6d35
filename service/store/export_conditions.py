"""What makes a resource part of an export, as SQL: whose record it lies in, what it is about, and
the criteria of searches.

A resource that was changed since the export is looked at outside the tables: its search values
are put into a small database in memory, where the same conditions are asked.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import replace

from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from service.caller import Caller
from service.standard.definitions import definitions
from service.standard.grants import LISTED
from service.standard.search_values import SearchValues
from service.standard.searching.query import SearchQuery
from service.store.caseload import FENCE, clients_of_tied, is_narrowed
from service.store.connection import Connection
from service.store.index import PendingRows
from service.store.searching.compiled import Scope
from service.store.searching.search import compile_criterion
from service.store.sql import Sql, all_of, any_of, batches, marks
from service.store.tables import Resource

_OF_RESOURCES = ("resource", "compartment")
_MOST = 10_000


def in_a_record(key: str | None) -> Sql:
    """The resource `r` lies in some client's record, or in one of an export's members."""
    whose, params = _whose(key)
    text = f"EXISTS (SELECT 1 FROM compartment k WHERE k.rid = r.rid AND {whose}{FENCE})"
    return Sql(text, params)


def about_a_record(key: str | None) -> Sql:
    """The Provenance `r` has a target in some client's record, or in one of an export's members."""
    whose, params = _whose(key)
    text = (
        "EXISTS (SELECT 1 FROM index_reference i CROSS JOIN resource t CROSS JOIN compartment k"
        f" WHERE i.rid = r.rid AND i.param = {target_number()} AND t.type = i.target_type"
        f" AND t.id = i.target_id AND k.rid = t.rid AND {whose}{FENCE})"
    )
    return Sql(text, params)


def own_clients(connection: Connection, caller: Caller) -> set[str] | None:
    """Ids of the clients whose records the caller sees; None where everybody's, or very many's."""
    if not is_narrowed(caller, LISTED):
        return None
    found = set(caller.clients or ())
    if (tied := clients_of_tied(caller)) is not None:
        rows = connection.rows(f"SELECT id FROM ({tied[0]}) tied LIMIT ?", (*tied[1], _MOST + 1))
        found.update(row[0] for row in rows)
    return found if len(found) <= _MOST else None


def members_among(connection: Connection, key: str, patients: Iterable[str]) -> bool:
    """Whether one of these clients is a member of the export."""
    wanted = sorted(patients)
    return any(
        connection.row(
            "SELECT 1 FROM export_member WHERE export = ? AND patient IN"
            f" ({marks(len(batch))}) LIMIT 1",
            (key, *batch),
        )
        for batch in batches(wanted)
    )


def targets_in_records(
    connection: Connection, key: str | None, names: Iterable[tuple[str, str]]
) -> bool:
    """Whether one of these (type, id) lies in some client's record, or in one of the members'."""
    whose, params = _whose(key)
    return any(
        connection.row(
            "SELECT 1 FROM resource t JOIN compartment k ON k.rid = t.rid"
            f" WHERE t.type = ? AND t.id = ? AND {whose} LIMIT 1",
            (*name, *params),
        )
        for name in names
    )


def _whose(key: str | None) -> Sql:
    if key is None:
        return Sql("k.patient <> ''")
    member = "SELECT 1 FROM export_member m WHERE m.export = ? AND m.patient = k.patient"
    return Sql(f"EXISTS ({member})", (key,))


def target_number() -> int:
    """The number of the search parameter Provenance.target."""
    return definitions().parameter_number("Provenance", "target")


def meets_one(caller: Caller, dialect: str, queries: Sequence[SearchQuery]) -> Sql:
    """The resource `r` meets all criteria of one of these searches of its type."""
    ways = []
    for query in queries:
        scope = Scope(caller, "sqlite" if dialect == "sqlite" else "postgresql", query.types)
        probes = [compile_criterion(each, scope).probe("r.rid") for each in query.criteria]
        ways.append(all_of(probes) if probes else Sql("TRUE"))
    return any_of(ways)


class Scratch:
    """A database in memory with the search values of one resource."""

    def __init__(self) -> None:
        self._connection = Connection(sqlite3.connect(":memory:", isolation_level=None), "sqlite")
        dialect = sqlite.dialect()
        found = Resource.metadata.tables
        self._tables = [n for n in found if n.startswith("index_") or n in _OF_RESOURCES]
        for name in self._tables:
            self._connection.run(str(CreateTable(found[name]).compile(dialect=dialect)))
            for index in found[name].indexes:
                self._connection.run(str(CreateIndex(index).compile(dialect=dialect)))

    def meets(
        self,
        caller: Caller,
        queries: Sequence[SearchQuery],
        values: SearchValues,
        key: str,
        at: int,
    ) -> bool:
        """Whether the resource of that id, last changed `at`, meets one of the searches."""
        resource_type = queries[0].types[0]
        for name in self._tables:
            self._connection.run(f"DELETE FROM {name}")
        self._connection.run(
            "INSERT INTO resource (rid, type, id, vid, seq, updated, deleted)"
            " VALUES (1, ?, ?, 1, 1, ?, 0)",
            (resource_type, key, at),
        )
        rows = PendingRows()
        # No search of an export asks for the words of a text.
        rows.add(1, resource_type, replace(values, words=[]))
        rows.write(self._connection)
        met = meets_one(caller, "sqlite", queries)
        found = self._connection.row(f"SELECT 1 FROM resource r WHERE {met.text}", met.params)
        return found is not None

    def close(self) -> None:
        """Give the memory back."""
        self._connection.raw.close()
