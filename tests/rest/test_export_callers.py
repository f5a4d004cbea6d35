"""Whose is an export, and what do the scopes of who asks leave of it?

Outside source: Bulk Data Access 3.0.0 ("only authorized resources"; a file may be limited to the
client that asked); SMART App Launch 2.2, scopes.
"""

from __future__ import annotations

import json

import pytest

from service.caller import Caller
from service.errors import Forbidden, NotFound
from service.rest.call import Answer, Call, Service
from service.rest.export import cancel_export, send_file, show_status, start_export
from service.rest.routing import interaction_of
from service.settings import Settings
from service.store.store import Store
from tests.factories.clinical import observation, patient
from tests.store.keeping import put

BASE = "http://store.example/fhir"
HANDLERS = {
    "operation": start_export,
    "export-status": show_status,
    "export-cancel": cancel_export,
    "export-file": send_file,
}


@pytest.fixture
def service(store: Store) -> Service:
    """Two clients with a measure each, under access control."""
    for key in "ab":
        put(store, patient(key))
        put(store, observation(f"of-{key}", f"Patient/{key}"))
    return Service(store, Settings(access="smart"), b"")


def caller(name: str, *scopes: str, kind: str = "system", **more: frozenset[str]) -> Caller:
    return Caller(name, frozenset(scopes), kind=kind, **more)  # type: ignore[arg-type]


def ask(service: Service, who: Caller, url: str, method: str = "GET") -> Answer:
    address, _, query = url.removeprefix(f"{BASE}/").partition("?")
    pairs = tuple((k, v) for k, _, v in (part.partition("=") for part in query.split("&") if part))
    path = tuple(address.split("/"))
    call = Call(method, path, pairs, {}, b"", BASE, who, service.store.reader)
    asked = interaction_of(method, path)
    return HANDLERS[asked.name](service, call, asked)


def exported(service: Service, who: Caller, url: str) -> set[str]:
    status = ask(service, who, url).headers["Content-Location"]
    manifest = json.loads(ask(service, who, status).body)
    assert manifest["requiresAccessToken"] is True
    found = set()
    for file in manifest["output"]:
        pieces = ask(service, who, file["url"]).pieces
        assert pieces is not None
        rows = [json.loads(line) for line in b"".join(pieces).splitlines()]
        found |= {f"{row['resourceType']}/{row['id']}" for row in rows}
    return found


def test_only_what_the_scopes_are_for(service: Service) -> None:
    whole = caller("whole", "system/*.rs")
    part = caller("part", "system/Observation.rs")
    measures = {"Observation/of-a", "Observation/of-b"}
    assert exported(service, whole, "$export") == measures | {"Patient/a", "Patient/b"}
    assert exported(service, part, "$export") == measures
    assert exported(service, part, "$export?_type=Observation") == measures
    with pytest.raises(Forbidden):
        ask(service, part, "$export?_type=Observation,Patient")


def test_only_the_callers_clients(service: Service) -> None:
    one = caller("one", "system/*.rs", clients=frozenset({"a"}))
    for url in ("$export", "Patient/$export"):
        assert exported(service, one, url) == {"Patient/a", "Observation/of-a"}


def test_for_anybody_else_it_is_not_there(service: Service) -> None:
    owner = caller("same name", "system/*.rs")
    status = ask(service, owner, "$export?_type=Patient").headers["Content-Location"]
    url = json.loads(ask(service, owner, status).body)["output"][0]["url"]
    for other in (
        caller("other", "system/*.cruds"),
        caller("same name", "user/*.cruds", kind="person"),
    ):
        for method, address in (("GET", status), ("DELETE", status), ("GET", url)):
            with pytest.raises(NotFound):
                ask(service, other, address, method)
    assert ask(service, owner, url).status == 200


def test_who_may_do_less_now_is_refused_the_file(service: Service) -> None:
    status = ask(service, caller("one", "system/*.rs"), "$export").headers["Content-Location"]
    manifest = json.loads(ask(service, caller("one", "system/*.rs"), status).body)
    less = caller("one", "system/Observation.rs")
    by_type = {file["type"]: file["url"] for file in manifest["output"]}
    assert ask(service, less, by_type["Observation"]).status == 200
    with pytest.raises(Forbidden):
        ask(service, less, by_type["Patient"])
