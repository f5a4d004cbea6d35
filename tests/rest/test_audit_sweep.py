"""No way of writing leaves the log without a row, and none leaves two.

After every interaction and operation that may write, every version in the store is told of by
exactly one row of the audit log, as `Type/id/_history/n`, and rows tell of no other version.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from service.access.audit_event import audit_event
from service.caller import ANONYMOUS, Caller
from service.rest.interactions import INTERACTIONS
from service.rest.operations import OPERATIONS
from service.store.audit.access import decoded
from service.store.audit.find import Recorded
from service.store.audit.verify import verify
from service.store.built_in import install_definitions
from service.store.store import Store
from tests.access.asking import BASE, Asking, asking
from tests.access.audit_oracle import wrong_codes
from tests.factories.clinical import observation, patient
from tests.factories.minimal import minimal

JSON_PATCH = {"content_type": "application/json-patch+json"}


@pytest.fixture
def ask(store: Store) -> Iterator[Asking]:
    install_definitions(store)
    with asking(store) as found:
        yield found


def require_told_once(store: Store) -> int:
    """How many versions there are; each is told of by one row."""
    with store.reader() as connection:
        versions = connection.rows(
            "SELECT r.type, r.id, v.vid FROM version v JOIN resource r ON r.rid = v.rid"
        )
        rows = connection.rows("SELECT n, at, body FROM audit_event ORDER BY n")
    accesses = [decoded(bytes(body)) for _, _, body in rows]
    (n, at, _), newest = rows[-1], accesses[-1]
    assert not wrong_codes(audit_event(Recorded(n, at, newest), BASE))
    for access in accesses:
        # By these it is told whose rows a caller with some clients sees.
        about = {name for name in access.references() if name.startswith("Patient/")}
        assert about == {f"Patient/{client}" for client in access.clients}
    told = Counter(name for access in accesses for name in access.changed)
    assert told == Counter(f"{kind}/{key}/_history/{vid}" for kind, key, vid in versions)
    assert not verify(store.database).fault
    return len(versions)


def test_every_way_of_writing_is_on_record(ask: Asking, store: Store) -> None:
    goal, test = minimal("Goal"), [{"op": "test", "path": "/resourceType", "value": "Goal"}]
    one = {"request": {"method": "POST", "url": "Goal"}, "resource": goal}
    refused = {"request": {"method": "PUT", "url": "Goal/y"}, "resource": goal | {"id": "z"}}
    bundle: dict[str, Any] = {"resourceType": "Bundle"}
    tries: list[tuple[str, str, str, Any, dict[str, str], bool]] = [
        ("create", "POST", "Goal", goal, {}, True),
        ("create", "POST", "Goal", goal, {"if_none_exist": "_id=g"}, True),
        ("update", "PUT", "Goal/g", goal | {"id": "g"}, {}, True),
        ("update", "PUT", "Goal/g", goal | {"id": "g"}, {"if_match": 'W/"9"'}, False),
        ("create", "POST", "Goal", goal, {"if_none_exist": "_id=g"}, False),
        ("patch", "PATCH", "Goal/g", test, JSON_PATCH, True),
        ("conditional-update", "PUT", "Goal?_id=g", goal, {}, True),
        ("conditional-patch", "PATCH", "Goal?_id=g", test, JSON_PATCH, True),
        (
            "transaction",
            "POST",
            "",
            bundle | {"type": "transaction", "entry": [one, one]},
            {},
            True,
        ),
        (
            "transaction",
            "POST",
            "",
            bundle | {"type": "transaction", "entry": [refused]},
            {},
            False,
        ),
        ("batch", "POST", "", bundle | {"type": "batch", "entry": [one, refused, one]}, {}, True),
        ("conditional-delete", "DELETE", "Goal?_id=g", None, {}, True),
        ("update", "PUT", "Goal/h", goal | {"id": "h"}, {}, True),
        ("delete", "DELETE", "Goal/h", None, {}, True),
        ("delete", "DELETE", "Goal/h", None, {}, False),
    ]
    writing = {name for name in INTERACTIONS if name.split("-")[-1] in WRITING} | {"transaction"}
    assert writing <= {name for name, *_ in tries}
    before = require_told_once(store)
    for name, method, address, body, headers, writes in tries:
        status = ask(ANONYMOUS, method, address, body, **headers).status
        after = require_told_once(store)
        assert (after > before) is writes, (name, address, status)
        before = after


WRITING = ("create", "update", "patch", "delete")


def test_operations_that_store_are_on_record(ask: Asking, store: Store) -> None:
    """Each operation is asked with all that makes it store; what it wrote is told of."""
    therapist = Caller("t", frozenset({"system/*.cruds"}), reference="Practitioner/t")
    ask(ANONYMOUS, "PUT", "Practitioner/t", minimal("Practitioner", "t"))
    ask(ANONYMOUS, "PUT", "Patient/p", patient("p"))
    ask(ANONYMOUS, "PUT", "Observation/o", observation("o", patient="Patient/p"))
    plan = minimal("CarePlan", "c") | {"subject": {"reference": "Patient/p"}, "status": "active"}
    ask(ANONYMOUS, "PUT", "CarePlan/c", plan)
    given = [
        {"name": "patient", "valueString": "Patient/p"},
        {"name": "persist", "valueBoolean": True},
    ]
    before = require_told_once(store)
    body = {"resourceType": "Parameters", "parameter": given}
    told = ask(therapist, "POST", "Composition/$document", body)
    assert told.status < 300, told.body
    # The Composition and the DocumentReference, each with a Provenance.
    assert require_told_once(store) == before + 4
    for operation in OPERATIONS.values():
        for level in operation.levels:
            kind = min(operation.types, default="Patient")
            at = {"system": "", "type": f"{kind}/", "instance": f"{kind}/p/"}[level]
            told = ask(therapist, "POST", f"{at}${operation.name}?store=true&persist=true")
            assert told.status < 500, (operation, told.body)
            require_told_once(store)
