"""How do many writers share one commit?

One writes at a time on one connection. Who finds others waiting leaves the transaction open to
the next, who sets a savepoint to go back to, and the last of them commits for all: one flush to
disk where there would have been several. Nobody's block ends well before what it wrote is on
disk. On PostgreSQL the row lock of the change clock, taken by the first, keeps other processes
out until the commit; on SQLite `BEGIN IMMEDIATE` does.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from service.store.connection import (
    Connection,
    as_unavailable,
    driver_errors,
    is_cut,
    unavailable,
    unconfirmed,
)

LONGEST = 32
"""Most units of work in one commit, so that the first need not wait for long."""


class _Commit:
    """The commit that several units wait for: they are let go when it is `done`."""

    def __init__(self) -> None:
        self.units = 0
        self.members = 0
        self.asked = False
        """Whether the database was told to commit: a failure then leaves it open what it did."""
        self.error: BaseException | None = None
        self.done = threading.Event()

    def wait(self) -> None:
        """Until it is on disk. Raises Unavailable where it is not, or not for certain."""
        self.done.wait()
        if self.error is not None:
            raise (unconfirmed() if self.asked else unavailable()) from self.error


class Convoy:
    """The writers of one process, one after the other on one connection."""

    def __init__(self, connect: Callable[[], Connection], busy_ms: int) -> None:
        self._connect = connect
        self._busy_ms = busy_ms
        self._turn = threading.Condition(threading.Lock())
        self._taken = False
        self._waiting = 0
        self._connection: Connection | None = None
        self._commit: _Commit | None = None

    @contextmanager
    def writer(self) -> Iterator[Connection]:
        """Write within this block. Raises Unavailable where it could not be kept."""
        self._take_turn()
        try:
            with as_unavailable():
                connection, commit = self._joined()
        except BaseException:
            self._give_turn()
            raise
        joined = commit.units > 1
        try:
            with as_unavailable():
                yield connection
                if joined:
                    connection.run("RELEASE SAVEPOINT unit")
            if not connection.is_in_transaction():
                # An error that was not told to us has ended it, and COMMIT would keep nothing.
                raise unavailable()
            commit.members += 1
        except BaseException:
            self._abandon(connection, commit, joined)
            raise
        finally:
            self._leave(connection, commit)
        commit.wait()

    def close(self) -> None:
        """Close the connection once the writers are done."""
        self._take_turn()
        try:
            self._drop()
        finally:
            self._give_turn()

    def _take_turn(self) -> None:
        with self._turn:
            self._waiting += 1
            try:
                free = self._turn.wait_for(lambda: not self._taken, self._busy_ms / 1000)
            finally:
                self._waiting -= 1
            if not free:
                raise unavailable()
            self._taken = True

    def _give_turn(self) -> None:
        with self._turn:
            self._taken = False
            self._turn.notify()

    def _hand_over(self) -> bool:
        """Give the turn if somebody waits for it: one of them takes it then, however late."""
        with self._turn:
            if self._waiting:
                self._taken = False
                self._turn.notify()
            return not self._taken

    def _joined(self) -> tuple[Connection, _Commit]:
        """The open transaction, with a savepoint to go back to, or a new one."""
        if self._commit is None:
            self._begin()
        connection, commit = self._connection, self._commit
        assert connection is not None
        assert commit is not None
        commit.units += 1
        if commit.units > 1:
            try:
                connection.run("SAVEPOINT unit")
            except BaseException as error:
                self._fail(commit, error)
                raise
        return connection, commit

    def _begin(self) -> None:
        connection = self._connection
        if connection is not None and connection.dialect == "postgresql" and is_cut(connection.raw):
            self._drop()
        if self._connection is None:
            self._connection = self._connect()
        try:
            self._connection.begin(self._busy_ms)
        except BaseException:
            self._drop()
            raise
        self._commit = _Commit()

    def _abandon(self, connection: Connection, commit: _Commit, joined: bool) -> None:
        """Undo one unit; where even that fails, the whole transaction is lost."""
        try:
            if joined:
                connection.run("ROLLBACK TO SAVEPOINT unit")
                connection.run("RELEASE SAVEPOINT unit")
            else:
                connection.run("ROLLBACK")
                self._end(commit)
        except BaseException as error:
            self._fail(commit, error)

    def _leave(self, connection: Connection, commit: _Commit) -> None:
        """Commit, unless somebody waits to go on in the same transaction."""
        if commit.done.is_set():
            self._give_turn()
        elif commit.units >= LONGEST or not self._hand_over():
            try:
                self._finish(connection, commit)
            finally:
                self._give_turn()

    def _finish(self, connection: Connection, commit: _Commit) -> None:
        commit.asked = commit.members > 0
        try:
            connection.run("COMMIT" if commit.asked else "ROLLBACK")
        except BaseException as error:
            self._fail(commit, error)
            if not isinstance(error, driver_errors()):
                raise
        else:
            self._end(commit)

    def _end(self, commit: _Commit) -> None:
        self._commit = None
        commit.done.set()

    def _fail(self, commit: _Commit, error: BaseException) -> None:
        """Tell all who wait; the connection may be in any state, so begin anew with another."""
        commit.error = error
        self._commit = None
        try:
            self._drop()
        finally:
            commit.done.set()

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(*driver_errors()):
                connection.raw.close()
