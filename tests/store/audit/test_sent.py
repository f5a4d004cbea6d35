"""An event that a client sent is a row of the sender's, and nothing of it can be changed unseen."""

from __future__ import annotations

import json

import pytest

from service.caller import Caller
from service.errors import HyoidError
from service.store.audit.access import decoded
from service.store.audit.verify import verify
from service.store.store import Store
from tests.factories.minimal import minimal
from tests.store.audit.test_log import _disarm

BASE = "http://clinic.example/fhir"
WARD = Caller("ward", frozenset({"system/AuditEvent.c"}), reference="Device/ward")
EVENT = minimal("AuditEvent") | {
    "recorded": "2020-01-01T00:00:00Z",
    "agent": [{"requestor": True, "altId": "x" * 5_000, "who": {"reference": "Practitioner/x"}}],
    "entity": [{"what": {"reference": "Patient/p"}}, {"what": {"reference": f"{BASE}/Goal/g"}}],
}


def _keep(store: Store) -> dict[str, str]:
    with store.write(WARD) as unit:
        stored = unit.keep_event(EVENT, BASE)
    meta: dict[str, str] = json.loads(stored.body or b"")["meta"]
    return meta


def test_the_row_is_of_who_sent_it_and_of_when(store: Store) -> None:
    meta = _keep(store)
    with store.reader() as connection:
        ((at, agent, body),) = connection.rows(
            "SELECT at, agent, body FROM audit_event WHERE n = 1"
        )
        found = connection.rows("SELECT reference, at FROM audit_entity WHERE n = 1")
    access = decoded(bytes(body))
    assert (agent, access.acts_as, access.at) == ("ward", "Device/ward", at)
    assert meta["lastUpdated"] > "2026"
    told = 1_577_836_800_000_000
    """2020-01-01T00:00:00Z in microseconds since 1970."""
    references = {
        "Patient/p",
        "Goal/g",
        "agent Practitioner/x",
        "agent Device/ward",
        "name ward",
        f"name {'x' * 200}",
        "sent",
    }
    assert set(found) == {(each, at) for each in references} | {
        (f"recorded {each}", told) for each in references
    }


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ("DELETE FROM audit_entity WHERE reference = 'recorded sent'", "row 1 is found by"),
        ("DELETE FROM audit_entity WHERE reference = 'sent'", "row 1 is found by"),
        ("UPDATE audit_entity SET at = 7 WHERE reference = 'recorded sent'", "row 1 is found by"),
        ("INSERT INTO audit_entity VALUES ('recorded sent', 7, 1)", "found by more than"),
        ("UPDATE audit_event SET agent = 'south' WHERE n = 1", "row 1 has another time or agent"),
        ("UPDATE audit_event SET body = CAST('{}' AS {bytes}) WHERE n = 1", "row 1 is not what"),
    ],
)
def test_a_change_by_the_keeper_of_the_database_is_told(
    store: Store, change: str, fault: str
) -> None:
    _keep(store)
    assert not verify(store.database).fault
    kind = "BLOB" if store.database.dialect == "sqlite" else "BYTEA"
    with store.database.writer() as connection:
        _disarm(store.database, connection)
        connection.run(change.replace("{bytes}", kind))
    assert fault in verify(store.database).fault


def test_what_is_refused_leaves_no_row(store: Store) -> None:
    with pytest.raises(HyoidError), store.write(WARD) as unit:
        unit.keep_event(EVENT | {"recorded": "2999-01-01T00:00:00Z"}, BASE)
    assert verify(store.database).rows == 0
