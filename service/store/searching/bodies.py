"""What are the current versions of these resources?"""

from __future__ import annotations

from collections.abc import Sequence

from service.store.connection import Connection
from service.store.rows import COLUMNS, Stored
from service.store.sql import batches, marks, padded


def fetch(connection: Connection, rids: Sequence[int]) -> tuple[Stored, ...]:
    """The current versions of these resources, in this order."""
    found: dict[int, Stored] = {}
    for batch in map(padded, batches(rids)):
        rows = connection.rows(
            f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
            f" WHERE r.rid IN ({marks(len(batch))})",
            batch,
        )
        for row in rows:
            stored = Stored._make(row)
            found[stored.rid] = stored
    return tuple(found[rid] for rid in rids if rid in found)
