"""Which bulk exports were asked for, and how far is each? Rows only; what they mean is told in
`service/handover/bulk`.

An export is a point in time. It is opened in the turn of a writer: all that has been committed
has a `seq` up to its own, and the clock is moved, so that all that comes later has a later time
than its `updated`. Any process can go on with it; of two that do at once, one is kept.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from service.errors import Throttled
from service.store.connection import Connection
from service.store.engine import Database
from service.store.export_files import ExportFile
from service.store.unit import take_turn

_COLUMNS = "id, request, seq, updated, expires, part, place, done"
_ABANDONED = 5 * 60 * 1_000_000
"""Microseconds after which an export that nobody asks for is not counted as running."""


@dataclass(frozen=True, slots=True)
class Export:
    """One export. Times in microseconds since 1970. `part` and `place`: where listing goes on."""

    id: str
    request: str
    seq: int
    updated: int
    expires: int
    part: int
    place: str
    done: bool


@dataclass(frozen=True, slots=True)
class ExportLimits:
    """How many exports one caller may have being listed, and in all; `life` in microseconds."""

    running: int
    kept: int
    life: int


def open_export(
    database: Database,
    caller: str,
    request: str,
    members: Iterable[str],
    limits: ExportLimits,
    clock: Callable[[], int],
) -> Export:
    """Note a new export of everything committed so far; those that have expired are forgotten.

    `members` are the clients whose records it holds, where it is not everybody's. Raises Throttled.
    """
    with database.writer() as connection:
        seq, _, last = take_turn(connection)
        now = max(clock(), last + 1)
        _forget_expired(connection, now)
        _require_room(connection, caller, limits, now)
        connection.run("UPDATE change_clock SET updated = ? WHERE id = 1", (now,))
        made = Export(secrets.token_urlsafe(18), request, seq, now, now + limits.life, 0, "", False)
        connection.run(
            f"INSERT INTO export ({_COLUMNS}, caller, touched)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (made.id, request, seq, now, made.expires, 0, "", False, caller, now),
        )
        connection.many(
            "INSERT INTO export_member (export, patient) VALUES (?, ?)",
            [(made.id, patient) for patient in sorted(set(members))],
        )
    return made


def find_export(connection: Connection, caller: str, key: str, now: int) -> Export | None:
    """The export of this caller, if it has not expired."""
    row = connection.row(
        f"SELECT {_COLUMNS} FROM export WHERE id = ? AND caller = ? AND expires > ?",
        (key, caller, now),
    )
    if row is None:
        return None
    id_, request, seq, updated, expires, part, place, done = row
    return Export(id_, request, seq, updated, expires, part, place, bool(done))


def keep_progress(
    database: Database, before: Export, after: Export, files: Sequence[ExportFile], now: int
) -> bool:
    """Keep what was listed between the two; False where another process was there first."""
    with database.writer() as connection:
        take_turn(connection)
        row = connection.row("SELECT part, place, done FROM export WHERE id = ?", (before.id,))
        if row is None or (row[0], row[1], bool(row[2])) != (before.part, before.place, False):
            return False
        connection.run(
            "UPDATE export SET part = ?, place = ?, done = ?, touched = ? WHERE id = ?",
            (after.part, after.place, after.done, now, before.id),
        )
        numbers = connection.row(
            "SELECT coalesce(max(number), 0) FROM export_file WHERE export = ?", (before.id,)
        )
        last = int(numbers[0]) if numbers else 0
        connection.many(
            "INSERT INTO export_file (export, number, kind, type, count, seqs)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            [
                (before.id, last + place, file.kind, file.type, file.count, file.packed)
                for place, file in enumerate(files, start=1)
            ],
        )
    return True


def drop_export(database: Database, key: str) -> None:
    """Forget an export and its files."""
    with database.writer() as connection:
        take_turn(connection)
        _forget(connection, [key])


def _forget_expired(connection: Connection, now: int) -> None:
    rows = connection.rows("SELECT id FROM export WHERE expires <= ? LIMIT 20", (now,))
    _forget(connection, [row[0] for row in rows])


def _forget(connection: Connection, keys: Sequence[str]) -> None:
    for table, column in (("export_file", "export"), ("export_member", "export"), ("export", "id")):
        connection.many(f"DELETE FROM {table} WHERE {column} = ?", [(key,) for key in keys])


def _require_room(connection: Connection, caller: str, limits: ExportLimits, now: int) -> None:
    rows = connection.rows(
        "SELECT done, touched, expires FROM export WHERE caller = ? AND expires > ?"
        " ORDER BY expires LIMIT ?",
        (caller, now, limits.kept),
    )
    running = sum(not done and now - touched < _ABANDONED for done, touched, _ in rows)
    if running >= limits.running:
        raise Throttled(
            f"{running} exports of yours are running; poll them to their end, or delete one",
            headers={"Retry-After": "10"},
        )
    if len(rows) >= limits.kept:
        seconds = min(max((rows[0][2] - now) // 1_000_000, 1), 3600)
        raise Throttled(
            f"{len(rows)} exports of yours are kept; delete one, or wait until one expires",
            headers={"Retry-After": str(seconds)},
        )
