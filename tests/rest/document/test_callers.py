"""Who gets a document, and what does it cost? Asked of the function, as any caller."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, NotFound
from service.handover.document import document as document_of
from service.rest.call import Answer, Call, Service
from service.rest.document import show_document
from service.rest.routing import Interaction
from service.settings import Settings
from service.store.current import current_version
from service.store.store import Store
from tests.factories.care import case, neighbour
from tests.rest.document.asking import BASE
from tests.rest.documents import composition_of


def _service(store: Store) -> Service:
    with store.write(ANONYMOUS) as unit:
        for resource in [*case("p"), *neighbour("p")]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    return Service(store, Settings(database="sqlite:///unused"), b"")


def _asked(service: Service, caller: Caller, method: str = "POST") -> Answer:
    path = ("Composition", "$document")
    query = (("plan", "p"),)
    call = Call(method, path, query, {}, b"", BASE, caller, service.store.reader)
    return show_document(service, call, Interaction("operation", "Composition", None, "$document"))


def test_only_for_own_clients(store: Store) -> None:
    service = _service(store)
    for clients in (frozenset[str](), frozenset({"c-p-other"})):
        with pytest.raises(NotFound):
            _asked(service, Caller("other", ANONYMOUS.scopes, clients))
    everybody = _asked(service, ANONYMOUS).body
    own = _asked(service, Caller("own", ANONYMOUS.scopes, frozenset({"c-p"}))).body
    assert own.partition(b'"entry":')[2] == everybody.partition(b'"entry":')[2]


def test_who_may_not_read_all_may_not_write_that_nothing_is_recorded(store: Store) -> None:
    service = _service(store)
    kinds = ("CarePlan", "Patient", "Observation", "Procedure", "Composition")
    scopes = frozenset(f"system/{kind}.cruds" for kind in kinds)
    with pytest.raises(Forbidden, match="AllergyIntolerance"):
        _asked(service, Caller("some", scopes))
    with pytest.raises(Forbidden, match="Composition"):
        _asked(service, Caller("reader", frozenset({"system/*.rs"})))


def test_person_who_asks_is_author(store: Store) -> None:
    service = _service(store)
    caller = Caller("ada", ANONYMOUS.scopes, kind="person", reference="Practitioner/p-therapist")
    composition = composition_of(json.loads(_asked(service, caller).body))
    assert composition["author"][0] == {"reference": "Practitioner/p-therapist"}
    assert "attester" not in composition


def test_cost_is_that_of_the_record_not_of_the_store(store: Store) -> None:
    """As many statements with two other clients in the store as with sixty."""
    service = _service(store)
    _asked(service, ANONYMOUS)
    key = composition_of(json.loads(_asked(service, ANONYMOUS).body))["id"]
    with store.reader() as connection:
        stored = current_version(connection, ANONYMOUS, "Composition", key)
    assert stored is not None

    def statements() -> int:
        count = 0

        class Counted:
            def __init__(self, connection: Any) -> None:
                self._connection = connection
                self.dialect = connection.dialect

            def __getattr__(self, name: str) -> Any:
                nonlocal count
                count += name in ("row", "rows", "stream")
                return getattr(self._connection, name)

        with store.reader(snapshot=True) as connection:
            document_of(Counted(connection), ANONYMOUS, stored, BASE)  # type: ignore[arg-type]
        return count

    before = statements()
    with store.write(ANONYMOUS) as unit:
        for number in range(60):
            for resource in case(f"more-{number}"):
                unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    assert statements() == before <= 8
