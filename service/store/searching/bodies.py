"""What are the current versions of these resources?"""

from __future__ import annotations

from collections.abc import Sequence

from service.store.connection import Connection
from service.store.rows import COLUMNS, Stored

_BATCH = 500


def fetch(connection: Connection, rids: Sequence[int]) -> tuple[Stored, ...]:
    """The current versions of these resources, in this order."""
    found: dict[int, Stored] = {}
    for start in range(0, len(rids), _BATCH):
        batch = list(rids[start : start + _BATCH])
        # Few different statements: the number of marks is a power of two.
        size = 1 << (len(batch) - 1).bit_length()
        batch += batch[-1:] * (size - len(batch))
        rows = connection.rows(
            f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
            f" WHERE r.rid IN ({', '.join('?' * size)})",
            batch,
        )
        for row in rows:
            stored = Stored._make(row)
            found[stored.rid] = stored
    return tuple(found[rid] for rid in rids if rid in found)
