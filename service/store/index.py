"""How do search values get into the search tables, and out again?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.standard.search_values import SearchValues
from service.store.connection import Connection
from service.store.full_text import remove_words, write_words
from service.store.rows_of_deleted import keep_references, remove_references
from service.store.sql import batches, marks

SHARED = ""
"""Stands for the patient of a resource that lies in no patient's compartment."""

_INSERTS = {
    "index_token": "rid, param, system, code, grp",
    "index_reference": "rid, param, target_type, target_id, grp",
    "index_date": "rid, param, low, high, grp",
    "index_quantity": (
        "rid, param, low, high, unit_system, unit_code, unit, grp, base_low, base_high, base_unit"
    ),
    "index_string": "rid, param, folded, exact, grp",
    "index_uri": "rid, param, value, grp",
    "index_dated_code": "rid, param, code, at",
}
_INSERT_SQL = {
    table: f"INSERT INTO {table} ({columns}) VALUES ({marks(len(columns.split(',')))})"
    for table, columns in _INSERTS.items()
}
_LAY = "SELECT rid, patient FROM compartment WHERE rid IN"
_INSERT_PAST = "INSERT INTO past_compartment (rid, vid, patient) VALUES (?, ?, ?)"
_INSERT_COMPARTMENT = "INSERT INTO compartment (rid, patient, type) VALUES (?, ?, ?)"


class PendingRows:
    """Search rows of one unit of work, gathered to be written a table at a time."""

    def __init__(self) -> None:
        self._rows: dict[str, list[Sequence[Any]]] = {table: [] for table in _INSERTS}
        self._words: list[tuple[int, list[str]]] = []
        self._compartments: list[tuple[int, str, str]] = []

    def add(self, rid: int, resource_type: str, values: SearchValues) -> None:
        """The search rows of the current version of one resource."""
        rows, key = self._rows, (rid,)
        rows["index_token"] += [key + row for row in values.tokens]
        rows["index_reference"] += [key + row for row in values.references]
        rows["index_date"] += [key + row for row in values.dates]
        rows["index_quantity"] += [key + row for row in values.quantities]
        rows["index_string"] += [key + row for row in values.strings]
        rows["index_uri"] += [key + row for row in values.uris]
        rows["index_dated_code"] += [key + row for row in values.dated]
        if values.words:
            self._words.append((rid, values.words))
        self._compartments += [
            (rid, patient, resource_type) for patient in values.patients or (SHARED,)
        ]

    def note_moves(self, connection: Connection, before: Mapping[int, int]) -> None:
        """Keep in whose record these resources lay up to a version, where that is to change.

        `before` has the number of the last version by rid; call before the old rows are removed.
        """
        rids = list(before)
        lay: dict[int, set[str]] = defaultdict(set)
        for batch in batches(rids):
            for rid, patient in connection.rows(f"{_LAY} ({marks(len(batch))})", batch):
                lay[rid].add(patient)
        lies: dict[int, set[str]] = defaultdict(set)
        for rid, patient, _ in self._compartments:
            lies[rid].add(patient)
        moved = [rid for rid in rids if lay[rid] != lies[rid]]
        rows = [(rid, before[rid], patient) for rid in moved for patient in sorted(lay[rid])]
        connection.many(_INSERT_PAST, rows)

    def write(self, connection: Connection) -> None:
        """Insert what was gathered and forget it."""
        for table, rows in self._rows.items():
            connection.many(_INSERT_SQL[table], rows)
            rows.clear()
        write_words(connection, self._words)
        self._words.clear()
        connection.many(_INSERT_COMPARTMENT, self._compartments)
        self._compartments.clear()


def remove(connection: Connection, rids: Iterable[int]) -> None:
    """Take all rows of these resources out."""
    keys = [(rid,) for rid in rids]
    for table in (*_INSERTS, "compartment"):
        connection.many(f"DELETE FROM {table} WHERE rid = ?", keys)
    remove_words(connection, keys)


def remove_deleted(connection: Connection, rids: Sequence[int]) -> None:
    """Take out the rows of resources that were deleted.

    They keep their compartments, and the references by which they are seen (`rows_of_deleted.py`),
    so that their history stays with their client.
    """
    keys = [(rid,) for rid in rids]
    keep_references(connection, rids)
    remove_references(connection, keys)
    for table in _INSERTS.keys() - {"index_reference"}:
        connection.many(f"DELETE FROM {table} WHERE rid = ?", keys)
    remove_words(connection, keys)
