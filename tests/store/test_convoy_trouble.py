"""Writers and a database that fails: whoever was told that it is kept can count on it.

The trouble is real where it can be had (a full disk, a locked file, a killed server process) and
played by a connection where it cannot (a commit that fails, or whose answer is lost).
"""

from __future__ import annotations

import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import suppress
from functools import partial

import pytest

from service.errors import HyoidError, NotFound, Unavailable
from service.store.connection import Connection
from service.store.engine import Database
from service.store.store import Store
from tests.store.crowds import (
    INSERT,
    LosesAnswer,
    closing,
    crowd,
    keep,
    names,
    refusals,
    watched,
)


def test_a_commit_that_fails_is_acknowledged_to_nobody(database: Database) -> None:
    failing = [True]

    def trouble(sql: str) -> None:
        if sql == "COMMIT" and failing:
            failing.clear()
            raise sqlite3.OperationalError("disk I/O error")

    convoy, _ = watched(database, trouble)
    with closing(convoy):
        futures = crowd(convoy, [partial(keep, convoy, f"n{n}") for n in range(4)])
        assert [type(error) for error in refusals(futures)] == [Unavailable] * 5
        assert names(database) == set()
        keep(convoy, "after")
    assert names(database) == {"after"}


def test_a_commit_without_an_answer_is_not_acknowledged_but_not_denied_either(
    database: Database,
) -> None:
    convoy, _ = watched(database, kind=LosesAnswer)
    with pytest.raises(Unavailable, match="may have been or not"), closing(convoy):
        keep(convoy, "who knows")


def test_a_fault_that_is_none_of_the_database_lets_nobody_wait_for_ever(
    database: Database,
) -> None:
    failing = [True]

    def trouble(sql: str) -> None:
        if sql == "COMMIT" and failing:
            failing.clear()
            raise MemoryError

    convoy, _ = watched(database, trouble)
    with closing(convoy):
        futures = crowd(convoy, [partial(keep, convoy, "a"), partial(keep, convoy, "b")])
        kinds = [type(error) for error in refusals(futures)]
        assert sorted(kind.__name__ for kind in kinds) == [
            "MemoryError",
            "Unavailable",
            "Unavailable",
        ]
        keep(convoy, "after")
    assert names(database) == {"after"}


def test_a_lost_savepoint_loses_the_transaction_for_all_of_its_members(database: Database) -> None:
    def trouble(sql: str) -> None:
        if sql.startswith("ROLLBACK TO"):
            raise sqlite3.OperationalError("no such savepoint")

    def breaks() -> str:
        with convoy.writer():
            raise NotFound("no")

    convoy, _ = watched(database, trouble)
    with closing(convoy):
        futures = crowd(convoy, [breaks])
        assert [type(error) for error in refusals(futures)] == [Unavailable, NotFound]
        keep(convoy, "after")
    assert names(database) == {"after"}


def test_a_full_disk_refuses_and_the_next_writer_works_again(sqlite_store: Store) -> None:
    database = sqlite_store.database
    convoy, _ = watched(database)

    def fill() -> str:
        with convoy.writer() as connection:
            pages = connection.row("PRAGMA page_count")
            assert pages
            connection.run(f"PRAGMA max_page_count = {pages[0] + 3}")
            connection.run(INSERT, ("big", b"x" * 100_000))
        return "big"

    with closing(convoy):
        futures = crowd(convoy, [partial(keep, convoy, "a"), fill])
        # SQLite undoes the whole transaction when the disk is full.
        assert {type(error) for error in refusals(futures)} <= {Unavailable, type(None)}
        acknowledged = {future.result() for future in futures if not future.exception()}
        assert names(database) == acknowledged
        assert "big" not in acknowledged
        keep(convoy, "after")
    assert "after" in names(database)


def test_another_process_at_work_for_too_long_is_told_as_unavailable(
    store: Store, database_url: str
) -> None:
    impatient = Database(database_url, busy_ms=200)
    with store.database.writer() as connection:
        connection.row(
            "SELECT seq FROM change_clock"
            + (" FOR UPDATE" if connection.dialect == "postgresql" else "")
        )
        started = time.monotonic()
        with pytest.raises(Unavailable, match="nothing was stored"), impatient.writer() as other:
            other.run("UPDATE change_clock SET seq = seq")
        assert 0.1 < time.monotonic() - started < 10
        assert names(impatient) == set()
    with impatient.writer() as connection:
        connection.run(INSERT, ("after", b""))
    impatient.close()
    assert names(store.database) == {"after"}


def test_a_turn_that_does_not_come_is_told_as_unavailable(store: Store, database_url: str) -> None:
    impatient = Database(database_url, busy_ms=200)
    with ThreadPoolExecutor(1) as pool, impatient.writer() as connection:
        connection.run(INSERT, ("slow", b""))
        error = pool.submit(keep, impatient._convoy, "late").exception(timeout=10)
        assert isinstance(error, Unavailable)
    assert names(impatient) == {"slow"}
    impatient.close()


def test_impatient_writers_neither_hang_nor_lose_what_was_acknowledged(database: Database) -> None:
    """Waiting ends in the very moment when the transaction is left open to who waits."""
    convoy, _ = watched(database, busy_ms=4)
    acknowledged: set[str] = set()

    def work(writer: int) -> None:
        for number in range(25):
            name = f"{writer}-{number}"
            with suppress(Unavailable):
                with convoy.writer() as connection:
                    connection.run(INSERT, (name, b""))
                    time.sleep(0.001 * (writer % 4))
                acknowledged.add(name)

    with ThreadPoolExecutor(8) as pool:
        done, still = wait([pool.submit(work, writer) for writer in range(8)], timeout=40)
        assert not still, "a writer hangs"
        assert [future.exception() for future in done] == [None] * 8
    convoy.close()
    assert acknowledged
    assert names(database) == acknowledged


def test_what_a_driver_raises_does_not_leave_as_itself(database: Database) -> None:
    for sql in ("INSERT INTO nowhere VALUES (1)", "this is no SQL"):
        with pytest.raises(HyoidError) as raised, database.writer() as connection:
            connection.run(sql)
        assert raised.value.status == 503
        with pytest.raises(HyoidError), database.reader() as connection:
            connection.row(sql.replace("INSERT INTO", "SELECT FROM"))


def test_an_error_that_ended_the_transaction_counts_even_if_it_was_swallowed(
    database: Database,
) -> None:
    """PostgreSQL answers ROLLBACK to a COMMIT after an error, which is no error to the driver;
    SQLite has rolled back by itself when the disk was full."""

    def swallows() -> str:
        with database.writer() as connection:
            connection.run(INSERT, ("x", b""))
            with suppress(Exception):
                if connection.dialect == "postgresql":
                    connection.run("INSERT INTO nowhere VALUES (1)")
                else:
                    connection.run("PRAGMA max_page_count = 1")
                    connection.run(INSERT, ("big", b"x" * 10_000_000))
        return "x"

    with pytest.raises(Unavailable):
        swallows()
    assert names(database) == set()
    futures = crowd(database._convoy, [swallows])
    assert [type(error) for error in refusals(futures)][1] is Unavailable
    kept = {future.result() for future in futures if not future.exception()}
    assert names(database) == kept


def _pid(connection: Connection) -> int:
    row = connection.row("SELECT pg_backend_pid()")
    assert row
    return int(row[0])


def _terminate(database: Database, pid: int) -> None:
    with database.reader() as connection:
        connection.row("SELECT pg_terminate_backend(?, 5000)", (pid,))


def test_a_killed_backend_refuses_all_members_and_the_next_writer_works(
    postgres_store: Store,
) -> None:
    database = postgres_store.database
    convoy = database._convoy

    def dies() -> str:
        with convoy.writer() as connection:
            _terminate(database, _pid(connection))
            connection.run(INSERT, ("x", b""))
        return "x"

    futures = crowd(convoy, [partial(keep, convoy, "a"), dies])
    kinds = [type(error) for error in refusals(futures)]
    # Whoever came after the death began anew.
    acknowledged = {future.result() for future in futures if not future.exception()}
    assert kinds[0] is Unavailable
    assert kinds[2] is Unavailable
    assert names(database) == acknowledged
    keep(convoy, "after")
    assert "after" in names(database)


def test_a_backend_killed_before_the_commit_is_not_acknowledged(postgres_store: Store) -> None:
    database = postgres_store.database
    pids: list[int] = []

    def trouble(sql: str) -> None:
        if sql == "COMMIT":
            _terminate(database, pids.pop())

    def killed() -> None:
        with convoy.writer() as connection:
            pids.append(_pid(connection))
            connection.run(INSERT, ("x", b""))

    convoy, _ = watched(database, trouble)
    with pytest.raises(Unavailable, match="may have been or not"), closing(convoy):
        killed()
    assert names(database) == set()


def test_a_process_that_stops_in_the_middle_does_not_hold_up_the_others_for_ever(
    postgres_store: Store, postgres_url: str
) -> None:
    stopped = Database(postgres_url, busy_ms=100)

    def stops() -> None:
        with stopped.writer() as connection:
            connection.row("SELECT seq FROM change_clock FOR UPDATE")
            time.sleep(0.6)

    with ThreadPoolExecutor(1) as pool:
        stopping = pool.submit(stops)
        time.sleep(0.1)
        with postgres_store.database.writer() as connection:
            connection.row("SELECT seq FROM change_clock FOR UPDATE")
            assert not stopping.done()
        assert isinstance(stopping.exception(), Unavailable)
    keep(stopped._convoy, "after")
    stopped.close()


def test_a_backend_killed_while_idle_costs_no_writer_his_turn(postgres_store: Store) -> None:
    database = postgres_store.database
    with database.writer() as connection:
        pid = _pid(connection)
    _terminate(database, pid)
    time.sleep(0.1)
    keep(database._convoy, "after")
    assert names(database) == {"after"}
