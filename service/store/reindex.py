"""How is the search index built anew from the stored resources?

In batches, each within one unit of work, so that it can run beside the service and be stopped at
any time: every resource is found by its old rows or by its new ones, never by none. Values are
extracted before the unit is opened; what was written in between is extracted again within it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from service.caller import Caller
from service.errors import HyoidError, Invalid
from service.standard.codec import decode_resource
from service.standard.meta import unstamped
from service.standard.search_values import SearchValues, extract
from service.store import index
from service.store.connection import Connection
from service.store.rows_of_deleted import values_of_deleted
from service.store.store import Store

BATCH = 200
LARGEST = 1 << 30

_COLUMNS = "r.rid, r.seq, r.type, r.id, r.deleted, v.body, v.base"
_JOINED = (
    "FROM resource r JOIN version v ON v.rid = r.rid"
    " AND v.vid = CASE WHEN r.deleted THEN r.vid - 1 ELSE r.vid END"
)
"""Of a deleted resource the version before, which says who sees its history."""

_NEXT = f"SELECT {_COLUMNS} {_JOINED} WHERE r.rid > ? ORDER BY r.rid LIMIT ?"


class _Row(NamedTuple):
    rid: int
    seq: int
    type: str
    id: str
    deleted: bool
    body: bytes
    base: str | None

    def values(self, base_url: str) -> SearchValues:
        base = base_url if self.base is None else self.base
        try:
            resource = unstamped(decode_resource(bytes(self.body), max_bytes=LARGEST))
            found = extract(resource, f"{base}/")
        except HyoidError as error:
            raise Invalid(f"{self.type}/{self.id} cannot be indexed: {error}") from error
        return values_of_deleted(found) if self.deleted else found


def reindexed(store: Store, caller: Caller, base_url: str) -> Iterator[int]:
    """Rebuild all of it; gives the number of resources after each batch that was committed.

    What is local in a resource stays what it was when the resource was written: who sees it was
    judged by that. `base_url` is for what was written when that was not kept yet.
    """
    last = 0
    while True:
        with store.reader() as connection:
            rows = _rows(connection, _NEXT, (last, BATCH))
        if not rows:
            return
        _rebuild(store, caller, rows, base_url)
        last = rows[-1].rid
        yield len(rows)


def _rebuild(store: Store, caller: Caller, rows: Sequence[_Row], base_url: str) -> None:
    extracted = {row.seq: row.values(base_url) for row in rows}
    pending = index.PendingRows()
    with store.write(caller) as unit:
        connection = unit.reader()
        current = _rows(
            connection,
            f"SELECT {_COLUMNS} {_JOINED} WHERE r.rid BETWEEN ? AND ? ORDER BY r.rid",
            (rows[0].rid, rows[-1].rid),
        )
        index.remove(connection, [row.rid for row in current])
        for row in current:
            values = extracted.get(row.seq) or row.values(base_url)
            pending.add(row.rid, row.type, values)
        pending.write(connection)


def _rows(connection: Connection, sql: str, params: tuple[int, ...]) -> list[_Row]:
    return [_Row._make(row) for row in connection.rows(sql, params)]
