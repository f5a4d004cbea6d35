"""Connections: which databases are taken, and that a server that comes back is found again."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Iterator

import pytest
from sqlalchemy.engine import make_url

from service.errors import Unavailable
from service.store.connection import Connection
from service.store.engine import Database, normal_url


@pytest.mark.parametrize(
    ("given", "taken"),
    [
        ("sqlite:///a.sqlite3", "sqlite:///a.sqlite3"),
        ("sqlite+pysqlite:////tmp/a", "sqlite:////tmp/a"),
        ("postgresql://u:p%40@h:5/d", "postgresql+psycopg://u:p%40@h:5/d"),
        ("postgresql+psycopg:///d?host=/run", "postgresql+psycopg:///d?host=%2Frun"),
    ],
)
def test_a_url_gets_the_driver_that_is_used(given: str, taken: str) -> None:
    assert normal_url(given) == taken


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:", "mysql://h/d", "file.db", ""])
def test_what_is_no_database_for_this_is_refused(url: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        normal_url(url)


def test_a_server_that_is_not_there_is_told_as_unavailable() -> None:
    database = Database("postgresql://nobody@127.0.0.1:1/none")
    with pytest.raises(Unavailable), database.reader() as connection:
        connection.row("SELECT 1")
    with pytest.raises(Unavailable), database.writer() as connection:
        connection.row("SELECT 1")
    database.close()


def test_each_thread_reads_on_a_connection_of_its_own(sqlite_url: str) -> None:
    database = Database(sqlite_url)
    found: list[int] = []

    def read() -> None:
        with database.reader() as connection:
            found.append(id(connection.raw))

    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads:
        thread.start()
        thread.join()
    assert len(set(found)) == 4
    database.close()


def test_a_snapshot_does_not_see_what_comes_later(database: Database) -> None:
    count = "SELECT count(*) FROM secret"
    with database.reader(snapshot=True) as connection:
        assert connection.row(count) == (0,)
        with database.writer() as writer:
            writer.run("INSERT INTO secret (name, value) VALUES ('a', ?)", (b"",))
        assert connection.row(count) == (0,)
    with database.reader(snapshot=True) as connection:
        assert connection.row(count) == (1,)


def test_reading_does_not_keep_the_log_from_being_emptied(sqlite_url: str) -> None:
    """A read that is not ended would let the write-ahead log grow without end."""
    database = Database(sqlite_url)
    with database.writer() as connection:
        connection.run("CREATE TABLE t (a)")
        connection.many("INSERT INTO t VALUES (?)", [(n,) for n in range(100)])
    with database.reader() as connection:
        assert connection.row("SELECT a FROM t WHERE a = 3") == (3,)
        assert connection.row("SELECT a FROM t ORDER BY a") == (0,)
        assert list(connection.stream("SELECT a FROM t WHERE a < 2")) == [(0,), (1,)]
    with database.writer() as connection:
        connection.run("INSERT INTO t VALUES (?)", (1000,))
    other = Database(sqlite_url)
    with other.reader() as connection:
        busy, log, moved = connection.row("PRAGMA wal_checkpoint(TRUNCATE)") or (1, 1, 1)
    assert (busy, log, moved) == (0, 0, 0)
    other.close()
    database.close()


@pytest.fixture
def named(postgres_url: str) -> Iterator[tuple[Database, str]]:
    """A database whose server processes can be told by their name."""
    name = f"hyoid-{uuid.uuid4().hex[:12]}"
    url = make_url(postgres_url).update_query_dict({"application_name": name})
    database = Database(url.render_as_string(hide_password=False))
    yield database, name
    database.close()


def _cut_all(database: Database, name: str, postgres_url: str) -> int:
    """What a restart of the server does to connections: all of them end."""
    other = Database(postgres_url)
    with other.reader() as connection:
        killed = connection.rows(
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
            " WHERE application_name = ?",
            (name,),
        )
    other.close()
    return len(killed)


def test_readers_find_a_server_that_was_started_again(
    named: tuple[Database, str], postgres_url: str
) -> None:
    database, name = named
    gate = threading.Barrier(5)

    def read() -> None:
        with database.reader() as connection:
            connection.row("SELECT 1")
            gate.wait(10)

    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads:
        thread.start()
    gate.wait(10)
    for thread in threads:
        thread.join()
    assert _cut_all(database, name, postgres_url) == 4
    for _ in range(8):
        with database.reader() as connection:
            assert connection.row("SELECT 1") == (1,)
        with database.reader(snapshot=True) as connection:
            assert connection.row("SELECT 1") == (1,)


def test_a_reader_cut_off_in_the_middle_is_refused_and_the_next_is_not(
    named: tuple[Database, str], postgres_url: str
) -> None:
    database, name = named

    def cut(connection: Connection) -> None:
        connection.row("SELECT 1")
        assert _cut_all(database, name, postgres_url) >= 1
        connection.row("SELECT 1")

    for snapshot in (False, True):
        with pytest.raises(Unavailable), database.reader(snapshot=snapshot) as connection:
            cut(connection)
        with database.reader(snapshot=snapshot) as connection:
            assert connection.row("SELECT 1") == (1,)


def test_a_refusal_within_a_snapshot_leaves_a_usable_connection(
    named: tuple[Database, str],
) -> None:
    database, _ = named
    for _ in range(40):  # more than the pool holds
        with pytest.raises(ZeroDivisionError), database.reader(snapshot=True):
            raise ZeroDivisionError
        with pytest.raises(Unavailable), database.reader(snapshot=True) as connection:
            connection.row("SELECT nothing FROM nowhere")
    with database.reader() as connection:
        assert connection.row("SELECT 1") == (1,)
