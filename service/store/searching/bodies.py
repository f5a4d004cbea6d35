"""What are the current versions of these resources?"""

from __future__ import annotations

from collections.abc import Sequence

from service.store.connection import Connection
from service.store.rows import COLUMNS, Stored, stored_rows
from service.store.sql import batches, marks, padded


def fetch(connection: Connection, rids: Sequence[int]) -> tuple[Stored, ...]:
    """The current versions of these resources, in this order."""
    found: dict[int, Stored] = {}
    for batch in map(padded, batches(rids)):
        rows = stored_rows(
            connection,
            f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
            f" WHERE r.rid IN ({marks(len(batch))})",
            batch,
        )
        found |= {stored.rid: stored for stored in rows}
    return tuple(found[rid] for rid in rids if rid in found)
