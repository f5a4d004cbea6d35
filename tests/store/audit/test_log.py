"""The log is chained, and tells of every row that was changed, taken out or put in.

The chain is computed here once more with `hashlib` (SHA-256, FIPS 180-4) over what the tables hold.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import pytest

from service.caller import ANONYMOUS
from service.errors import HyoidError
from service.store.audit.access import Access, decoded
from service.store.audit.log import append, newest
from service.store.audit.verify import Verdict, verify
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from service.store.unit import take_turn
from tests.factories.clinical import observation


def an_access(number: int, **told: object) -> Access:
    return Access(1_000_000 + number, "read", 200, f"system-{number % 3}", **told)  # type: ignore[arg-type]


def put(database: Database, accesses: Sequence[Access]) -> list[int]:
    with database.writer() as connection:
        take_turn(connection)
        return append(connection, accesses)


def test_rows_are_numbered_and_chained(database: Database) -> None:
    assert put(database, [an_access(1), an_access(2, target="Observation/7")]) == [1, 2]
    assert put(database, [an_access(3)]) == [3]
    chain = bytes(32)
    with database.reader() as connection:
        for n, body, kept in connection.rows("SELECT n, body, chain FROM audit_event ORDER BY n"):
            chain = hashlib.sha256(chain + n.to_bytes(8, "big") + bytes(body)).digest()
            assert bytes(kept) == chain
        assert newest(connection) == (3, chain)
    assert verify(database) == Verdict(3, chain)
    assert verify(database, (2, _chain_of(database, 2))) == Verdict(3, chain)


def test_a_row_reads_back_as_it_was_told(database: Database) -> None:
    told = an_access(1, clients=("p1", "p2"), changed=("Goal/1/_history/2",), query="GET /fhir/ä")
    put(database, [told])
    with database.reader() as connection:
        row = connection.row("SELECT body FROM audit_event")
    assert row is not None
    assert decoded(bytes(row[0])) == told


def test_clients_of_what_was_shown_are_looked_up(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        mine = unit.append(
            observation(patient="Patient/p1"), "o1", "http://x/fhir", method="PUT", current=None
        )
        other = unit.append(
            observation(patient="Patient/p2"), "o2", "http://x/fhir", method="PUT", current=None
        )
    put(store.database, [an_access(1, rids=(mine.rid,)), an_access(2, rids=(mine.rid, other.rid))])
    with store.reader() as connection:
        rows = connection.rows(
            "SELECT reference, n FROM audit_entity WHERE n > 1 ORDER BY n, reference"
        )
    assert rows == [("Patient/p1", 2), ("Patient/p1", 3), ("Patient/p2", 3)]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ("UPDATE audit_event SET body = CAST('{}' AS {bytes}) WHERE n = 2", "row 2 is not what"),
        ("UPDATE audit_event SET at = 5 WHERE n = 2", "row 2 has another time"),
        ("UPDATE audit_event SET agent = 'nobody' WHERE n = 3", "row 3 has another time or agent"),
        ("DELETE FROM audit_event WHERE n = 2", "row 2 is missing"),
        ("DELETE FROM audit_event WHERE n = 5", "rows after 4 are missing"),
        ("DELETE FROM audit_entity WHERE n = 4", "row 4 is found by something else"),
        ("UPDATE audit_entity SET reference = 'Patient/x' WHERE n = 1", "row 1 is found by"),
        ("UPDATE audit_entity SET at = 1 WHERE n = 1", "row 1 is found by"),
        ("INSERT INTO audit_entity VALUES ('Patient/x', 5, 2)", "found by more than"),
        ("INSERT INTO audit_entity VALUES ('Patient/x', 5, 9)", "rows after 5 are missing"),
        ("UPDATE audit_event SET chain = CAST('x' AS {bytes}) WHERE n = 1", "row 1 is not what"),
    ],
)
def test_a_change_by_the_keeper_of_the_database_is_told(
    database: Database, change: str, fault: str
) -> None:
    put(database, [an_access(n, target=f"Goal/{n}") for n in range(5)])
    kind = "BLOB" if database.dialect == "sqlite" else "BYTEA"
    with database.writer() as connection:
        _disarm(database, connection)
        connection.run(change.replace("{bytes}", kind))
    assert fault in verify(database).fault


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ("UPDATE audit_event SET body = '{}' WHERE n = 2", "row 2 is not what"),
        ("UPDATE audit_event SET body = CAST(body AS TEXT) WHERE n = 2", "row 2 is not what"),
        ("UPDATE audit_event SET body = 1000000000000 WHERE n = 2", "row 2 is not what"),
        ("UPDATE audit_event SET chain = 'x' WHERE n = 3", "row 3 is not what"),
        ("UPDATE audit_event SET at = 'x' WHERE n = 3", "row 3 has another time"),
        ("UPDATE audit_event SET agent = x'00' WHERE n = 3", "row 3 has another time or agent"),
        ("UPDATE audit_entity SET n = 'x' WHERE n = 4", "row 4 is found by"),
        ("INSERT INTO audit_entity VALUES ('Patient/x', 5, 'x')", "found by more than"),
    ],
)
def test_what_is_of_another_kind_is_told_too(sqlite_url: str, change: str, fault: str) -> None:
    """SQLite keeps a text or a number in any column (sqlite.org/datatype3.html)."""
    database = Database(sqlite_url)
    migrate(database)
    put(database, [an_access(n, target=f"Goal/{n}") for n in range(5)])
    with database.writer() as connection:
        _disarm(database, connection)
        connection.run(change)
    assert fault in verify(database).fault
    database.close()


@pytest.mark.parametrize("body", [b"{", b"[]", b"7", b'{"at":1}', b'{"target":5}'])
def test_a_row_that_is_no_record_is_told(database: Database, body: bytes) -> None:
    """Though it is chained: who may write the database can do that."""
    put(database, [an_access(1)])
    with database.writer() as connection:
        _disarm(database, connection)
        connection.run(
            "UPDATE audit_event SET body = ?, chain = ?",
            (body, hashlib.sha256(bytes(32) + (1).to_bytes(8, "big") + body).digest()),
        )
    assert verify(database).fault.startswith("row 1")


def test_a_log_that_is_written_anew_or_cut_off_is_told_by_what_was_noted(
    database: Database, sqlite_url: str
) -> None:
    put(database, [an_access(n) for n in range(5)])
    noted = (4, _chain_of(database, 4))
    assert not verify(database, noted).fault
    with database.writer() as connection:
        _disarm(database, connection)
        connection.run("DELETE FROM audit_event WHERE n > 3")
    assert not verify(database).fault
    assert "are missing" in verify(database, noted).fault
    put(database, [an_access(77)])
    assert not verify(database).fault
    assert "row 4 is not the one" in verify(database, noted).fault


@pytest.mark.parametrize("table", ["audit_event", "audit_entity"])
@pytest.mark.parametrize("change", ["UPDATE {} SET n = 9", "DELETE FROM {}"])
def test_the_database_refuses_changes(database: Database, table: str, change: str) -> None:
    put(database, [an_access(1, target="Goal/1")])
    with pytest.raises(HyoidError), database.writer() as connection:
        connection.run(change.format(table))
    assert verify(database).rows == 1
    assert not verify(database).fault


def test_an_empty_log_is_whole(database: Database) -> None:
    assert verify(database) == Verdict(0, bytes(32))


def _chain_of(database: Database, n: int) -> bytes:
    with database.reader() as connection:
        row = connection.row("SELECT chain FROM audit_event WHERE n = ?", (n,))
    assert row is not None
    return bytes(row[0])


def _disarm(database: Database, connection: object) -> None:
    """Drop the triggers, as whoever owns the database can."""
    for table in ("audit_event", "audit_entity"):
        if database.dialect == "sqlite":
            for event in ("update", "delete"):
                connection.run(f"DROP TRIGGER {table}_no_{event}")  # type: ignore[attr-defined]
        else:
            connection.run(f"DROP TRIGGER {table}_only_append ON {table}")  # type: ignore[attr-defined]
