"""Who denies, and what of theirs is withheld; on both engines.

The whole store is the control: what nobody denies is met, each resource once.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import TooCostly
from service.store import consents, walk
from service.store.consents import are_known_to, disclosure_to, who_denies
from service.store.store import Store
from service.store.visibility import and_version_visible
from tests.factories.clinical import observation, patient
from tests.store.keeping import put

AT = 1_780_000_000_000_000
LAKESIDE = Caller("lakeside", frozenset({"system/*.rs"}), reference="Device/lakeside")


def consent(key: str, who: str, **provision: Any) -> dict[str, Any]:
    scope = {"coding": [{"code": "patient-privacy"}]}
    return {
        "resourceType": "Consent",
        "id": key,
        "status": "active",
        "scope": scope,
        "category": [{"text": "privacy"}],
        "patient": {"reference": f"Patient/{who}"},
        "policyRule": {"coding": [{"code": "OPTIN"}]},
        "provision": provision,
    }


@pytest.fixture
def clinic(store: Store) -> Store:
    for key in "abc":
        put(store, patient(key))
        put(store, observation(f"of-{key}", f"Patient/{key}"))
    put(store, consent("everybody", "a", type="deny"))
    named = {"role": {"text": "recipient"}, "reference": {"reference": "Device/lakeside"}}
    put(store, consent("lakeside", "b", type="deny", actor=[named]))
    put(store, consent("over", "c", type="deny", period={"end": "2001"}))
    put(store, consent("ended", "c", type="deny") | {"status": "inactive"})
    binary = {"contentType": "text/plain", "data": "aGk="}
    put(store, {"resourceType": "Binary", "id": "scan"} | binary)
    put(store, {"resourceType": "Binary", "id": "leaflet"} | binary)
    put(
        store,
        {
            "resourceType": "DocumentReference",
            "id": "scanned",
            "status": "current",
            "subject": {"reference": "Patient/a"},
            "content": [{"attachment": {"url": "Binary/scan"}}],
        },
    )
    agent = [{"who": {"display": "x"}}]
    for key, target in (("of-a", "Observation/of-a"), ("of-c", "Observation/of-c")):
        put(
            store,
            {
                "resourceType": "Provenance",
                "id": key,
                "target": [{"reference": target}],
                "recorded": "2026-01-01T00:00:00Z",
                "agent": agent,
            },
        )
    put(store, {"resourceType": "Organization", "id": "other", "name": "Other"})
    return store


def _met(store: Store, caller: Caller) -> set[str]:
    import json

    with store.reader(snapshot=True) as connection:
        kinds = walk.present_types(connection, caller)
        bodies = [json.loads(b) for kind in kinds for b in walk.bodies(connection, caller, kind)]
        assert len(bodies) == walk.present_size(connection, caller)
    return {f"{body['resourceType']}/{body['id']}" for body in bodies}


def _who(store: Store, caller: Caller, patients: set[str] | None = None) -> frozenset[str]:
    with store.reader() as connection:
        return who_denies(connection, disclosure_to(caller, AT), patients)


def test_who_denies_whom(clinic: Store) -> None:
    assert _who(clinic, LAKESIDE) == {"a", "b"}
    assert _who(clinic, ANONYMOUS) == {"a"}
    assert _who(clinic, LAKESIDE, {"b", "c"}) == {"b"}
    assert _who(clinic, LAKESIDE, set()) == frozenset()
    tied = replace(LAKESIDE, reference="", tied=frozenset({"Device/lakeside"}))
    assert _who(clinic, tied) == {"a", "b"}


def test_pages_are_gone_through_to_the_end_and_there_is_an_end(
    clinic: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(consents, "_PAGE", 1)
    assert _who(clinic, LAKESIDE) == {"a", "b"}
    assert _who(clinic, LAKESIDE, {"a", "b", "c"}) == {"a", "b"}
    monkeypatch.setattr(consents, "MOST", 1)
    with pytest.raises(TooCostly):
        _who(clinic, LAKESIDE)


def test_a_consent_that_was_withdrawn_or_changed_denies_no_more(clinic: Store) -> None:
    put(clinic, consent("everybody", "a", type="permit"))
    assert _who(clinic, LAKESIDE) == {"b"}
    put(clinic, consent("lakeside", "b", type="deny") | {"status": "entered-in-error"})
    assert _who(clinic, LAKESIDE) == frozenset()


def test_all_of_a_record_is_withheld_and_nothing_else(clinic: Store) -> None:
    whole = _met(clinic, ANONYMOUS)
    withheld = {
        *("Patient/a", "Observation/of-a", "Consent/everybody", "DocumentReference/scanned"),
        *("Binary/scan", "Provenance/of-a"),
    }
    assert withheld < whole
    assert _met(clinic, replace(ANONYMOUS, denied=frozenset({"a"}))) == whole - withheld


def test_so_are_versions_that_lay_in_it(clinic: Store) -> None:
    put(clinic, observation("of-a", "Patient/c"))
    denied = replace(ANONYMOUS, denied=frozenset({"a"}))
    text, params = and_version_visible(denied, "r", ("Observation",))
    with clinic.reader() as connection:
        rows = connection.rows(
            "SELECT v.vid FROM version v JOIN resource r ON r.rid = v.rid"
            f" WHERE r.type = 'Observation' AND r.id = 'of-a'{text} ORDER BY v.vid",
            params,
        )
    assert rows == [(2,)]


def test_only_who_sees_such_a_client_learns_that_some_deny(clinic: Store) -> None:
    with clinic.reader() as connection:
        assert are_known_to(connection, LAKESIDE, {"a"})
        assert not are_known_to(connection, LAKESIDE, set())
        one = replace(LAKESIDE, clients=frozenset({"c"}))
        assert not are_known_to(connection, one, {"a", "b"})
        assert are_known_to(connection, one, {"a", "c"})
