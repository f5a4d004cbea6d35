"""Units of work: versions, their order, and the rows that lead to them."""

from __future__ import annotations

import threading
import time

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, Gone, NotFound, Unavailable
from service.standard.codec import decode_resource
from service.store.engine import Database
from service.store.store import Store
from service.store.unit import unit_of_work
from tests.factories.clinical import observation, patient
from tests.store.agreement import disagreements
from tests.store.keeping import BASE, delete, put, read_version


def agree(store: Store) -> None:
    """Everything in the tables fits together."""
    with store.reader() as connection:
        assert disagreements(connection, BASE) == []


def test_a_version_is_read_back_as_it_was_written_with_id_and_meta(store: Store) -> None:
    resource = decode_resource(
        b'{"resourceType":"Observation","id":"o1","meta":{"tag":[{"code":"x"}],"versionId":"77"},'
        b'"status":"final","code":{"text":"\xc3\xa4"},"valueQuantity":{"value":1.00}}'
    )
    stored = put(store, resource)
    body = store.read(ANONYMOUS, "Observation", "o1").body
    assert body == stored.body
    assert body is not None
    assert body.startswith(b'{"resourceType":"Observation","id":"o1","meta":{"versionId":"1",')
    assert b'"value":1.00' in body
    assert b'"tag":[{"code":"x"}]' in body
    assert decode_resource(body)["code"] == {"text": "ä"}
    agree(store)


def test_versions_count_up_and_each_stays_readable(store: Store) -> None:
    stored = [put(store, observation("o1", value=value)) for value in (1, 2, 3)]
    assert [version.vid for version in stored] == [1, 2, 3]
    for version in stored:
        assert read_version(store, ANONYMOUS, "Observation", "o1", version.vid) == version
    assert store.read(ANONYMOUS, "Observation", "o1") == stored[-1]
    with pytest.raises(NotFound):
        read_version(store, ANONYMOUS, "Observation", "o1", 4)
    agree(store)


def test_after_a_deletion_it_is_gone_and_can_come_back(store: Store) -> None:
    put(store, observation("o1", patient="Patient/a"))
    assert delete(store, "Observation", "o1").vid == 2
    with pytest.raises(Gone) as gone:
        store.read(ANONYMOUS, "Observation", "o1")
    assert gone.value.headers == {"ETag": 'W/"2"'}
    agree(store)
    assert put(store, observation("o1", patient="Patient/b")).vid == 3
    assert store.read(ANONYMOUS, "Observation", "o1").vid == 3
    with pytest.raises(Gone):
        read_version(store, ANONYMOUS, "Observation", "o1", 2)
    agree(store)


def test_an_update_takes_the_old_rows_out(store: Store) -> None:
    put(store, patient("p1", family="Sandberg", telecom=[{"system": "phone", "value": "1"}]))
    put(store, patient("p1", family="Okafor"))
    with store.reader() as connection:
        rows = connection.rows("SELECT DISTINCT folded FROM index_string")
    assert ("sandberg",) not in rows
    assert ("okafor",) in rows
    agree(store)


def test_one_unit_may_write_the_same_resource_several_times(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        first = unit.append(patient("p1", "A"), "p1", BASE, method="POST", current=None)
        second = unit.append(patient("p1", "B"), "p1", BASE, method="PUT", current=first)
        third = unit.delete(second)
        fourth = unit.append(patient("p1", "C"), "p1", BASE, method="PUT", current=third)
        assert unit.current("Patient", "p1") == fourth
    assert store.read(ANONYMOUS, "Patient", "p1").vid == 4
    agree(store)


def test_a_unit_sees_what_it_wrote_and_others_do_not_yet(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        unit.append(observation(), "o1", BASE, method="PUT", current=None)
        assert unit.current("Observation", "o1") is not None
        with pytest.raises(NotFound):
            store.read(ANONYMOUS, "Observation", "o1")
    assert store.read(ANONYMOUS, "Observation", "o1").vid == 1


def test_a_unit_that_fails_leaves_neither_rows_nor_a_gap(store: Store) -> None:
    put(store, observation("o1"))

    def fails() -> None:
        with store.write(ANONYMOUS) as unit:
            unit.append(observation(value=2), "o2", BASE, method="PUT", current=None)
            unit.reader()
            raise NotFound("no")

    with pytest.raises(NotFound):
        fails()
    assert put(store, observation("o3")).seq == 2
    with pytest.raises(NotFound):
        store.read(ANONYMOUS, "Observation", "o2")
    agree(store)


def test_all_versions_of_a_unit_have_one_time_and_the_next_unit_a_later_one(store: Store) -> None:
    """Also where the machine's clock stands still or goes back."""
    times = iter([1_000, 1_000, 400])
    seen = []
    for number in range(3):
        with unit_of_work(store.database, ANONYMOUS, lambda: next(times)) as unit:
            for part in "ab":
                resource = observation()
                key = f"o{number}{part}"
                stored = unit.append(resource, key, BASE, method="PUT", current=None)
                seen.append(stored.updated)
    assert seen == [1_000, 1_000, 1_001, 1_001, 1_002, 1_002]
    agree(store)


def test_the_time_is_taken_when_the_turn_has_come(store: Store) -> None:
    """Who waited long must not write an instant before the one that was written meanwhile."""
    asked: list[str] = []

    def clock() -> int:
        asked.append("the time")
        return 5

    def wait() -> None:
        with unit_of_work(store.database, ANONYMOUS, clock) as unit:
            assert unit.updated == 5

    with store.database.writer():
        thread = threading.Thread(target=wait)
        thread.start()
        while not store.database._convoy._waiting:
            time.sleep(0.001)
        assert asked == []
    thread.join()
    assert asked == ["the time"]


def test_a_client_of_another_caller_is_not_written_to(store: Store) -> None:
    mine = Caller("therapist", ANONYMOUS.scopes, clients=frozenset({"a"}))
    put(store, observation("theirs", patient="Patient/b"))
    put(store, observation("mine", patient="Patient/a"))
    put(store, observation("mine", patient="Patient/a"), mine)
    for key in ("mine", "theirs", "new"):
        with pytest.raises(Forbidden):
            put(store, observation(key, patient="Patient/b"), mine)
    told = []
    for key in ("theirs", "absent"):
        with pytest.raises(NotFound) as refusal:
            put(store, observation(key, patient="Patient/a"), mine)
        told.append(str(refusal.value).replace(key, "?"))
    assert told[0] == told[1]
    agree(store)


def test_a_store_without_a_clock_is_no_store(database: Database) -> None:
    with database.writer() as connection:
        connection.run("DELETE FROM change_clock")
    with pytest.raises(RuntimeError, match="migrated"):
        put(Store(database), observation("o1"))


def test_a_store_without_tables_is_told_as_unavailable(database_url: str) -> None:
    database = Database(database_url)
    with pytest.raises(Unavailable):
        put(Store(database), observation("o1"))
    with pytest.raises(Unavailable):
        Store(database).read(ANONYMOUS, "Observation", "o1")
    database.close()
