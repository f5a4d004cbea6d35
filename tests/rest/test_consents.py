"""Records that a Consent denies to disclose are in no export, and that some are left out is told.

Outside source: Bulk Data Access 3.0.0 ("error": OperationOutcomes of any severity);
http://hl7.org/fhir/R4/valueset-issue-type.html (`suppressed`).
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.caller import Caller
from service.errors import Forbidden, Gone, NotFound
from service.rest.call import Answer, Call, Service
from service.rest.everything import show_everything
from service.rest.routing import interaction_of
from service.settings import Settings
from service.store.store import Store
from tests.factories.clinical import observation, patient
from tests.rest.test_export_callers import BASE, ask
from tests.store.keeping import put
from tests.store.test_consents import consent

LAKESIDE = Caller("lakeside", frozenset({"system/*.rs"}), reference="Device/lakeside")
OTHER = Caller("other", frozenset({"system/*.rs"}), reference="Device/other")
OF_A = {"Patient/a", "Observation/of-a", "Consent/no"}
OF_B = {"Patient/b", "Observation/of-b"}


@pytest.fixture
def service(store: Store) -> Service:
    for key in "ab":
        put(store, patient(key))
        put(store, observation(f"of-{key}", f"Patient/{key}"))
    named = {"role": {"text": "recipient"}, "reference": {"reference": "Device/lakeside"}}
    put(store, consent("no", "a", type="deny", actor=[named]))
    member = [{"entity": {"reference": f"Patient/{key}"}} for key in "ab"]
    group = {"resourceType": "Group", "id": "g", "type": "person", "actual": True, "member": member}
    put(store, group)
    return Service(store, Settings(access="smart"), b"")


def _exported(service: Service, who: Caller, url: str) -> tuple[set[str], list[Any]]:
    status = ask(service, who, url).headers["Content-Location"]
    manifest = json.loads(ask(service, who, status).body)
    found, told = set(), []
    for kind in ("output", "error"):
        for file in manifest[kind]:
            pieces = ask(service, who, file["url"]).pieces
            assert pieces is not None
            rows = [json.loads(line) for line in b"".join(pieces).splitlines()]
            if kind == "error":
                told += rows
            else:
                found |= {f"{row['resourceType']}/{row['id']}" for row in rows}
    return found, told


def _transaction(service: Service, who: Caller, key: str) -> Answer:
    path = ("Patient", key, "$everything")
    query = (("bundle-type", "transaction"),)
    call = Call("GET", path, query, {}, b"", BASE, who, service.store.reader)
    return show_everything(service, call, interaction_of("GET", path))


@pytest.mark.parametrize("url", ["$export", "Patient/$export", "Group/g/$export"])
def test_a_record_that_is_denied_is_left_out_of_an_export(url: str, service: Service) -> None:
    more = set() if url.startswith(("Patient", "Group")) else {"Group/g"}
    found, told = _exported(service, LAKESIDE, url)
    assert found & (OF_A | OF_B) == OF_B
    (issue,) = (issue for outcome in told for issue in outcome["issue"])
    assert (issue["severity"], issue["code"]) == ("warning", "suppressed")
    assert not any(name in json.dumps(told) for name in ("Patient/", "of-a", "lakeside"))
    found, told = _exported(service, OTHER, url)
    assert found >= (OF_A | OF_B)
    assert more <= found
    assert told == []


def test_also_what_was_changed_since_the_kick_off(service: Service) -> None:
    status = ask(service, LAKESIDE, "$export").headers["Content-Location"]
    for key in "ab":
        put(service.store, observation(f"of-{key}", f"Patient/{key}") | {"status": "amended"})
    manifest = json.loads(ask(service, LAKESIDE, status).body)
    (url,) = (file["url"] for file in manifest["output"] if file["type"] == "Observation")
    rows = [
        json.loads(line) for line in b"".join(ask(service, LAKESIDE, url).pieces or ()).splitlines()
    ]
    assert [row["id"] for row in rows] == ["of-b"]


def test_who_does_not_see_the_client_is_told_nothing(service: Service) -> None:
    narrow = Caller(
        "narrow", frozenset({"system/*.rs"}), frozenset({"b"}), reference="Device/lakeside"
    )
    found, told = _exported(service, narrow, "Patient/$export")
    assert found & (OF_A | OF_B) == OF_B
    assert told == []


def test_nor_does_it_leave_as_a_transaction(service: Service) -> None:
    with pytest.raises(Forbidden) as refused:
        _transaction(service, LAKESIDE, "a")
    assert refused.value.issues[0].code == "suppressed"
    assert _transaction(service, LAKESIDE, "b").status == 200
    assert _transaction(service, OTHER, "a").status == 200


def test_the_refusal_tells_nothing_of_whom_the_caller_does_not_see(service: Service) -> None:
    narrow = Caller(
        "narrow", frozenset({"system/*.rs"}), frozenset({"b"}), reference="Device/lakeside"
    )
    for key in ("a", "nobody"):
        with pytest.raises((NotFound, Gone)):
            _transaction(service, narrow, key)
