"""Where does a read go on record before it is answered, without a commit for each?

Every process appends lines to a file of its own before it answers; a thread takes them from there
into the log, many at a time. How far a file was taken is kept in the database and moves in the
same transaction, so that every line gets in exactly once, whenever the process is killed. A file
whose process is gone is taken in by the next that looks. The lines of the last moments can be
lost with the machine (its power), not with the process.
"""

from __future__ import annotations

import fcntl
import os
import threading
import uuid
from contextlib import suppress
from pathlib import Path

from service.errors import Unavailable
from service.store.audit import log
from service.store.audit.access import Access, decoded
from service.store.engine import Database
from service.store.unit import take_turn

SUFFIX = ".accesses"
LONGEST = 4 * 1024 * 1024
"""Bytes after which a process begins another file."""
PART = 1024 * 1024
"""Bytes taken into the log in one transaction, which keeps other writers waiting meanwhile."""

_TAKEN = "SELECT taken FROM audit_spool WHERE name = ?"
_TAKE = (
    "INSERT INTO audit_spool (name, taken) VALUES (?, ?)"
    " ON CONFLICT (name) DO UPDATE SET taken = excluded.taken"
)
_FORGET = "DELETE FROM audit_spool WHERE name = ?"


class Spool:
    """The accesses of one process that are not yet in the log."""

    def __init__(self, directory: Path) -> None:
        """Begin a file. Raises OSError where none can be made there."""
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._directory = directory
        self._writing = threading.Lock()
        self._taking = threading.Lock()
        self._full: list[Path] = []
        self._size = self._taken = 0
        self._open()

    def add(self, access: Access) -> None:
        """Put one access on record. Raises Unavailable where that cannot be done."""
        line = access.waiting() + b"\n"
        with self._writing:
            try:
                if os.write(self._file, line) != len(line):
                    raise OSError("the disk is full")
            except OSError as error:
                with suppress(OSError):
                    os.ftruncate(self._file, self._size)
                raise Unavailable(
                    "The access cannot be put on record, and so is not answered"
                ) from error
            self._size += len(line)

    @property
    def waiting(self) -> int:
        """Bytes that were not yet taken in, of the present file."""
        return self._size - self._taken

    def take_in(self, database: Database) -> int:
        """Take what is there into the log; the number of accesses."""
        with self._taking:
            with self._writing:
                full = self._full
                if self._size > LONGEST:
                    full = [*full, self._path]
                    self._close()
                    self._full = full
                    self._open()
            count = sum(take_file(database, path, remove=True) for path in full)
            self._full = []
            size = self._size
            count += take_file(database, self._path)
            self._taken = size
            return count

    def take_in_left(self, database: Database) -> int:
        """Take in the files of processes that are gone."""
        return sum(
            _take_left(database, path)
            for path in sorted(self._directory.glob(f"*{SUFFIX}"))
            if path != self._path and path not in self._full
        )

    def close(self, database: Database) -> None:
        """Take in what is left and remove the file."""
        self.take_in(database)
        with self._taking, self._writing:
            take_file(database, self._path, remove=True)
            self._close()

    def _open(self) -> None:
        self._path = self._directory / f"{uuid.uuid4()}{SUFFIX}"
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
        self._file = os.open(self._path, flags, 0o600)
        # Held as long as the process lives: by this the others know.
        fcntl.flock(self._file, fcntl.LOCK_EX)
        self._size = self._taken = 0

    def _close(self) -> None:
        os.close(self._file)


def take_file(database: Database, path: Path, *, remove: bool = False) -> int:
    """Take the whole lines of a file into the log, from where it was left."""
    count = 0
    with path.open("rb") as file:
        while True:
            with database.reader() as connection:
                row = connection.row(_TAKEN, (path.name,))
            start = row[0] if row else 0
            file.seek(start)
            part = file.read(PART)
            part = part[: part.rfind(b"\n") + 1] or part + file.readline()
            # A line without an end was cut off with its process, and its access not answered.
            if not part.endswith(b"\n"):
                break
            count += _take(database, path.name, start, part)
    if remove:
        # The file first: without its row it would be taken in once more.
        path.unlink()
        with database.writer() as connection:
            connection.run(_FORGET, (path.name,))
    return count


def _take(database: Database, name: str, start: int, part: bytes) -> int:
    accesses = [_read(line) for line in part.split(b"\n") if line]
    with database.writer() as connection:
        take_turn(connection)
        row = connection.row(_TAKEN, (name,))
        if (row[0] if row else 0) != start:
            return 0
        log.append(connection, accesses)
        connection.run(_TAKE, (name, start + len(part)))
    return len(accesses)


def _read(line: bytes) -> Access:
    """The access in a line; one that somebody spoiled goes into the log as that."""
    try:
        return decoded(line)
    except ValueError:
        return Access(0, "unreadable", 500, "unknown", told=line[:200].decode("utf-8", "replace"))


def _take_left(database: Database, path: Path) -> int:
    """Take in a file whose process is gone; leave one that is in use."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return 0
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # Another process may have taken it in, and removed it, before we had the lock.
        return take_file(database, path, remove=True) if path.exists() else 0
    except BlockingIOError:
        return 0
    finally:
        os.close(file)
