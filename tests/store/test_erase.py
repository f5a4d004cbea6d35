"""What is erased is nowhere in the database any more; what is another client's too is left."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.caller import ANONYMOUS
from service.store.audit.find import Wanted, page
from service.store.engine import Database
from service.store.erase import erase, record_of
from service.store.store import Store
from tests.factories.clinical import observation, patient

BASE = "http://x/fhir"


def _put(store: Store, *resources: dict[str, Any]) -> None:
    with store.write(ANONYMOUS) as unit:
        for resource in resources:
            current = unit.current(resource["resourceType"], resource["id"])
            unit.append(resource, resource["id"], BASE, method="PUT", current=current)


def _fill(store: Store) -> None:
    group = {
        "resourceType": "Group",
        "id": "both",
        "type": "person",
        "actual": True,
        "member": [
            {"entity": {"reference": "Patient/p1"}},
            {"entity": {"reference": "Patient/p2"}},
        ],
    }
    document = {
        "resourceType": "DocumentReference",
        "id": "d",
        "status": "current",
        "subject": {"reference": "Patient/p1"},
        "content": [{"attachment": {"url": "Binary/b"}}],
    }
    binary = {
        "resourceType": "Binary",
        "id": "b",
        "contentType": "text/plain",
        "data": "WmFuemliYXI=",
    }
    _put(store, patient("p1", family="Zanzibarsdottir"), patient("p2", family="Other"))
    _put(store, observation("o1", patient="Patient/p1"), observation("o2", patient="Patient/p2"))
    _put(store, observation("moved", patient="Patient/p1", note=[{"text": "Zanzibar told"}]))
    _put(store, observation("o1", patient="Patient/p1", value=22, note=[{"text": "Zanzibar"}]))
    _put(store, binary, document, group)
    with store.write(ANONYMOUS) as unit:
        gone = observation("gone", patient="Patient/p1", note=[{"text": "Zanzibar went"}])
        unit.append(gone, "gone", BASE, method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        current = unit.current("Observation", "gone")
        assert current is not None
        unit.delete(current)


def _names(record: list[Any]) -> set[str]:
    return {f"{name.type}/{name.id}" for name in record}


def _dump(database: Database) -> str:
    """Every value of every table but the audit log, as text."""
    found: list[str] = []
    with database.engine.connect() as connection:
        from sqlalchemy import inspect, text

        for table in inspect(connection).get_table_names():
            if table.startswith("audit_"):
                continue
            rows = connection.execute(text(f'SELECT * FROM "{table}"'))
            found += [
                bytes(value).decode("utf-8", "replace")
                if isinstance(value, bytes | memoryview)
                else str(value)
                for row in rows
                for value in row
            ]
    return "\n".join(found)


def test_everything_of_the_client_alone_goes_and_leaves_a_deletion(store: Store) -> None:
    _fill(store)
    with store.reader() as connection:
        record = record_of(connection, "p1")
    expected = {"Patient/p1", "DocumentReference/d", "Binary/b"}
    expected |= {f"Observation/{name}" for name in ("o1", "moved", "gone")}
    assert _names(record.own) == expected
    assert _names(record.shared) == {"Group/both"}
    assert "anzibar" in _dump(store.database).lower()
    erase(store, ANONYMOUS, "p1", record.own)
    assert "anzibar" not in _dump(store.database).lower()
    with store.reader() as connection:
        versions = connection.rows(
            "SELECT r.type, r.id, v.method, v.body FROM version v JOIN resource r ON r.rid = v.rid"
        )
        assert {f"{row[0]}/{row[1]}" for row in versions if row[2] == "DELETE"} == expected
        kept = {f"{row[0]}/{row[1]}" for row in versions if row[3] is not None}
        assert kept == {"Patient/p2", "Observation/o2", "Group/both"}
        again = record_of(connection, "p1")
    erase(store, ANONYMOUS, "p1", again.own)


def test_it_is_on_record(store: Store) -> None:
    _fill(store)
    with store.reader() as connection:
        record = record_of(connection, "p1")
    erase(store, ANONYMOUS, "p1", record.own)
    with store.reader() as connection:
        row, *earlier = page(connection, Wanted(entities=(("Patient/p1",),)), 99)
    assert row.access.interaction == "erase"
    assert "erase" not in {each.access.interaction for each in earlier}
    assert set(row.access.changed) == _names(record.own)


def test_the_bytes_are_gone_from_the_file(sqlite_store: Store, sqlite_url: str) -> None:
    _fill(sqlite_store)
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    with sqlite_store.reader() as connection:
        record = record_of(connection, "p1")
    erase(sqlite_store, ANONYMOUS, "p1", record.own)
    for file in path.parent.glob(f"{path.name}*"):
        assert b"anzibar" not in file.read_bytes().lower(), file.name


def test_what_moved_to_another_client_is_told_and_left(store: Store) -> None:
    _fill(store)
    _put(store, observation("moved", patient="Patient/p2"))
    with store.reader() as connection:
        record = record_of(connection, "p1")
    assert _names(record.shared) == {"Group/both", "Observation/moved"}


def _attaching(key: str, client: str, url: str) -> dict[str, Any]:
    return {
        "resourceType": "DocumentReference",
        "id": key,
        "status": "current",
        "subject": {"reference": f"Patient/{client}"},
        "content": [{"attachment": {"url": url}}],
    }


def test_an_attachment_of_another_client_too_is_told_and_left(store: Store) -> None:
    _fill(store)
    _put(store, _attaching("other", "p2", "Binary/b"))
    with store.reader() as connection:
        record = record_of(connection, "p1", BASE)
    assert _names(record.shared) == {"Group/both", "Binary/b"}
    assert "DocumentReference/d" in _names(record.own)


def test_attachments_are_those_of_this_service_by_either_address(store: Store) -> None:
    _fill(store)
    data = {"resourceType": "Binary", "contentType": "text/plain", "data": "WmFuemliYXI="}
    _put(store, data | {"id": "near"}, data | {"id": "far"})
    _put(store, _attaching("n", "p1", f"{BASE}/Binary/near"))
    _put(store, _attaching("f", "p1", "https://elsewhere.example/fhir/Binary/far"))
    with store.reader() as connection:
        own = _names(record_of(connection, "p1", BASE).own)
    assert {"Binary/b", "Binary/near"} <= own
    assert "Binary/far" not in own


def test_a_photo_of_the_client_goes_too(store: Store) -> None:
    _fill(store)
    data = {"resourceType": "Binary", "contentType": "image/png", "data": "WmFuemliYXI="}
    _put(store, data | {"id": "photo"})
    _put(store, patient("p1", family="Zanzibarsdottir", photo=[{"url": "Binary/photo"}]))
    with store.reader() as connection:
        assert "Binary/photo" in _names(record_of(connection, "p1", BASE).own)
