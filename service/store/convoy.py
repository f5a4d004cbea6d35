"""How do many writers share one commit?

One writes at a time, each between savepoints on one connection. Who finds others waiting leaves
the transaction open to the next, and the last of them commits for all: one flush to disk where
there would have been several. Nobody's block ends well before what it wrote is on disk. On
PostgreSQL the row lock of the change clock, taken by the first, keeps other processes out until
the commit; on SQLite `BEGIN IMMEDIATE` does.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from service.store.connection import BUSY_MS, Connection, as_unavailable, driver_errors, unavailable

LONGEST = 32
"""Most units of work in one commit, so that the first need not wait for long."""


class _Commit:
    """The commit that several units wait for."""

    def __init__(self) -> None:
        self.units = 0
        self.members = 0
        self.done = threading.Event()
        self.error: Exception | None = None


class Convoy:
    """The writers of one process, one after the other on one connection."""

    def __init__(self, connect: Callable[[], Connection]) -> None:
        self._connect = connect
        self._turn = threading.Lock()
        self._count = threading.Lock()
        self._waiting = 0
        self._connection: Connection | None = None
        self._commit: _Commit | None = None

    @contextmanager
    def writer(self) -> Iterator[Connection]:
        """Write within this block. Raises Unavailable where it could not be kept."""
        with self._count:
            self._waiting += 1
        try:
            self._turn.acquire()
        finally:
            with self._count:
                self._waiting -= 1
        try:
            with as_unavailable():
                commit = self._begin()
            assert self._connection is not None
            commit.units += 1
            try:
                with as_unavailable():
                    yield self._connection
                    self._connection.run("RELEASE SAVEPOINT unit")
                commit.members += 1
            except BaseException:
                self._abandon(commit)
                raise
            finally:
                self._end(commit)
        finally:
            self._turn.release()
        commit.done.wait()
        if commit.error is not None:
            raise unavailable() from commit.error

    def close(self) -> None:
        """Close the connection once the writers are done."""
        with self._turn:
            self._drop()

    def _begin(self) -> _Commit:
        """Join the open transaction, or begin one."""
        if self._commit is None:
            if self._connection is None:
                self._connection = self._connect()
            connection = self._connection
            try:
                if connection.dialect == "sqlite":
                    connection.run("BEGIN IMMEDIATE")
                else:
                    connection.run("BEGIN")
                    connection.run(f"SET LOCAL lock_timeout = {BUSY_MS}")
            except driver_errors():
                self._drop()
                raise
            self._commit = _Commit()
        assert self._connection is not None
        try:
            self._connection.run("SAVEPOINT unit")
        except driver_errors() as error:
            self._fail(self._commit, error)
            raise
        return self._commit

    def _abandon(self, commit: _Commit) -> None:
        """Undo one unit; where even that fails, the whole transaction is lost."""
        assert self._connection is not None
        try:
            self._connection.run("ROLLBACK TO SAVEPOINT unit")
            self._connection.run("RELEASE SAVEPOINT unit")
        except driver_errors() as error:
            self._fail(commit, error)

    def _end(self, commit: _Commit) -> None:
        """Commit, unless somebody waits to go on in the same transaction."""
        if commit.done.is_set():
            return
        with self._count:
            others = self._waiting > 0
        if others and commit.units < LONGEST:
            return
        assert self._connection is not None
        try:
            self._connection.run("COMMIT" if commit.members else "ROLLBACK")
        except driver_errors() as error:
            self._fail(commit, error)
            return
        self._commit = None
        commit.done.set()

    def _fail(self, commit: _Commit, error: Exception) -> None:
        """Tell all who wait; the connection may be in any state, so begin anew with another."""
        commit.error = error
        self._commit = None
        self._drop()
        commit.done.set()

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.raw.close()
