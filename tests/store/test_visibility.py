"""Whose records may a caller see? Own clients' and what is shared; in every kind of read."""

from __future__ import annotations

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import NotFound
from service.store.store import Store
from service.store.visibility import and_visible, visible
from service.store.walk import bodies, present_size, present_types
from tests.factories.clinical import observation, patient
from tests.store.keeping import delete, put, read_version

A = Caller("a's therapist", ANONYMOUS.scopes, clients=frozenset({"a"}))
AB = Caller("therapist of both", ANONYMOUS.scopes, clients=frozenset({"a", "b"}))
NOBODY = Caller("nobody's therapist", ANONYMOUS.scopes, clients=frozenset())


@pytest.fixture
def clinic(store: Store) -> Store:
    """Two clients with a measure each, one of both together, and a practitioner."""
    put(store, {"resourceType": "Practitioner", "id": "runa"})
    for key in "ab":
        put(store, patient(key))
        put(store, observation(f"of-{key}", f"Patient/{key}"))
    both = observation("of-both", "Patient/a", performer=[{"reference": "Patient/b"}])
    put(store, both)
    return store


def seen(store: Store, caller: Caller) -> set[str]:
    """Ids of all that a caller sees by each way of reading; all ways must agree."""
    names = ["Practitioner/runa", "Patient/a", "Patient/b"]
    names += ["Observation/of-a", "Observation/of-b", "Observation/of-both"]
    found = set()
    for name in names:
        kind, key = name.split("/")
        try:
            store.read(caller, kind, key)
            read_version(store, caller, kind, key, 1)
        except NotFound:
            with pytest.raises(NotFound):
                read_version(store, caller, kind, key, 1)
        else:
            found.add(key)
    with store.reader(snapshot=True) as connection:
        assert present_size(connection, caller) == len(found)
        kinds = present_types(connection, caller)
        assert sum(len(list(bodies(connection, caller, kind))) for kind in kinds) == len(found)
    return found


def test_each_sees_own_clients_and_what_is_shared(clinic: Store) -> None:
    assert seen(clinic, NOBODY) == {"runa"}
    assert seen(clinic, A) == {"runa", "a", "of-a", "of-both"}
    everything = {"runa", "a", "b", "of-a", "of-b", "of-both"}
    assert seen(clinic, AB) == everything
    assert seen(clinic, ANONYMOUS) == everything


def test_who_may_see_everyone_pays_nothing() -> None:
    assert visible(ANONYMOUS, "r.rid") is None
    assert and_visible(ANONYMOUS, "r.rid") == ("", ())


def test_a_deletion_does_not_make_it_everybodys(clinic: Store) -> None:
    delete(clinic, "Observation", "of-b")
    for vid in (1, 2):
        with pytest.raises(NotFound):
            read_version(clinic, A, "Observation", "of-b", vid)


def test_who_is_given_to_another_client_is_no_longer_seen(clinic: Store) -> None:
    put(clinic, observation("of-a", "Patient/b"))
    with pytest.raises(NotFound):
        clinic.read(A, "Observation", "of-a")
