"""What are the bytes of these versions? In pieces of bounded size, each read by itself.

No snapshot is held from one piece to the next: a version never changes and is never taken away.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import accumulate

from service.caller import Caller
from service.errors import Forbidden
from service.standard.grants import LISTED
from service.store.connection import Connection, Row
from service.store.sql import batches, marks, padded
from service.store.store import Store
from service.store.visibility import and_version_visible

AT_ONCE = 1_024
"""Versions in one statement, and in one piece."""

PIECE = 1 << 20
"""Bytes that a piece has at most, and the last of its versions."""


def pieces(
    store: Store, caller: Caller, resource_type: str, seqs: Sequence[int]
) -> Iterator[list[bytes]]:
    """The bytes of all these versions of one type, in order.

    Raises Forbidden where the caller does not see one of them (any more): what is left out must
    not look like the whole.
    """
    for rest in batches(seqs, AT_ONCE):
        while rest:
            with store.reader() as connection:
                bodies = _first(connection, caller, resource_type, rest)
            yield bodies
            rest = rest[len(bodies) :]


def _first(
    connection: Connection, caller: Caller, resource_type: str, batch: Sequence[int]
) -> list[bytes]:
    """The bytes of as many as make a piece, one at least."""
    if connection.dialect == "postgresql":
        # The server sends all that was asked for.
        batch = _light(connection, batch)
        rows = connection.rows(*_select(caller, resource_type, batch, "v.body, v.seq"))
        found = [bytes(row[0]) for row in rows]
        numbers = [row[1] for row in rows]
    else:
        found, numbers = [], []
        size = 0
        cursor = connection.raw.cursor()
        for body, seq in cursor.execute(*_select(caller, resource_type, batch, "v.body, v.seq")):
            found.append(body)
            numbers.append(seq)
            size += len(body)
            if size > PIECE:
                break
        cursor.close()
    if not numbers or numbers != list(batch[: len(numbers)]):
        raise _not_whole()
    return found


def names(
    store: Store, caller: Caller, resource_type: str, seqs: Sequence[int], at_once: int
) -> Iterator[list[str]]:
    """The ids of the resources that these versions delete, so many at a time. Raises Forbidden."""
    for batch in batches(seqs, at_once):
        with store.reader() as connection:
            id_ = "(SELECT r.id FROM resource r WHERE r.rid = v.rid)"
            rows = connection.rows(*_select(caller, resource_type, batch, id_))
        yield [row[0] for row in _whole(rows, batch)]


def require_visible(store: Store, caller: Caller, resource_type: str, seqs: Sequence[int]) -> None:
    """Raise Forbidden where the caller does not see one of these versions."""
    if not and_version_visible(caller, LISTED, (resource_type,), judged=True)[0]:
        return
    with store.reader() as connection:
        for batch in batches(seqs, AT_ONCE):
            _whole(connection.rows(*_select(caller, resource_type, batch, "1")), batch)


def _light(connection: Connection, batch: Sequence[int]) -> Sequence[int]:
    """As many of them as make a piece, one at least."""
    given = padded(batch)
    lengths = connection.rows(
        f"SELECT length(v.body) FROM version v WHERE v.seq IN ({marks(len(given))}) ORDER BY v.seq",
        given,
    )
    sizes = accumulate(length for (length,) in lengths)
    return batch[: max(sum(size <= PIECE for size in sizes), 1)]


def _select(
    caller: Caller, resource_type: str, batch: Sequence[int], columns: str
) -> tuple[str, list[object]]:
    narrowed, params = and_version_visible(caller, LISTED, (resource_type,), judged=True)
    given = padded(batch)
    text = f"SELECT {columns} FROM version v WHERE v.seq IN ({marks(len(given))})"
    return f"{text}{narrowed} ORDER BY v.seq", [*given, *params]


def _whole(rows: list[Row], batch: Sequence[int]) -> list[Row]:
    if len(rows) != len(batch):
        raise _not_whole()
    return rows


def _not_whole() -> Forbidden:
    return Forbidden(
        "Some of what this file holds is not yours to see any more: start the export anew"
    )
