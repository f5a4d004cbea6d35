"""The checker of this room notices what is wrong: each fault is made by hand."""

from __future__ import annotations

import pytest

from service.store.store import Store
from tests.factories.clinical import observation, patient
from tests.store.agreement import disagreements
from tests.store.keeping import BASE, delete, put

FAULTS = {
    "index_token lacks": "DELETE FROM index_token WHERE rid = 2 AND param ="
    " (SELECT min(param) FROM index_token WHERE rid = 2)",
    "index_date has": "INSERT INTO index_date (rid, param, low, high, grp) VALUES (1, 1, 2, 3, 0)",
    "of no resource": "INSERT INTO index_uri (rid, param, value, grp) VALUES (99, 1, 'urn:x', 0)",
    "compartment lacks": "DELETE FROM compartment WHERE rid = 3",
    "compartment has": "INSERT INTO compartment (rid, patient, type)"
    " VALUES (2, 'other', 'Observation')",
    "does not point to its last version": "UPDATE resource SET vid = 1 WHERE rid = 2",
    "is deleted, or is not": "UPDATE version SET method = 'DELETE', body = NULL"
    " WHERE rid = 2 AND vid = 2",
    "the clock shows": "UPDATE change_clock SET rid = 7",
    "after seq 2 comes 4": "DELETE FROM version WHERE seq = 3",
    "is older than the one before": "UPDATE version SET updated = 5 WHERE seq = 3",
    "says of itself": "UPDATE version SET body = (SELECT body FROM version WHERE seq = 2)"
    " WHERE seq = 3",
}


@pytest.fixture
def filled(sqlite_store: Store) -> Store:
    """Resource 1 a Patient, 2 an Observation with two versions, 3 a deleted one."""
    put(sqlite_store, patient("p1"))
    put(sqlite_store, observation("o1", value=1))
    put(sqlite_store, observation("o1", value=2))
    put(sqlite_store, observation("o2"))
    delete(sqlite_store, "Observation", "o2")
    return sqlite_store


def test_a_store_that_was_written_to_agrees(filled: Store) -> None:
    with filled.reader() as connection:
        assert disagreements(connection, BASE) == []


@pytest.mark.parametrize("told", FAULTS)
def test_a_fault_is_noticed(filled: Store, told: str) -> None:
    with filled.database.writer() as connection:
        connection.run(FAULTS[told])
    with filled.reader() as connection:
        assert told in "\n".join(disagreements(connection, BASE))
