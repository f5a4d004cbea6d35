"""What belongs to a client's record, and what it refers to.

Whose compartment a resource lies in: http://hl7.org/fhir/R4/compartmentdefinition-patient.html
"""

from __future__ import annotations

import pytest

from service.caller import ANONYMOUS, Caller
from service.store.record import RecordQuery, record_page, record_size, shared_references
from service.store.store import Store
from tests.factories.clinical import care_plan, observation, patient
from tests.store.keeping import delete, put


def _practitioner(key: str, **more: object) -> dict[str, object]:
    return {"resourceType": "Practitioner", "id": key, **more}


@pytest.fixture
def clinic(store: Store) -> Store:
    """Client a with a plan, two measures and one that was deleted, client b with a measure."""
    put(store, {"resourceType": "Organization", "id": "clinic", "name": "Clinic"})
    put(store, {"resourceType": "Organization", "id": "unused", "name": "Elsewhere"})
    put(
        store,
        {
            "resourceType": "PractitionerRole",
            "id": "role",
            "practitioner": {"reference": "Practitioner/runa"},
            "organization": {"reference": "Organization/clinic"},
        },
    )
    put(store, _practitioner("runa"))
    put(store, patient("a", generalPractitioner=[{"reference": "PractitionerRole/role"}]))
    put(store, patient("b"))
    put(store, observation("a1", "Patient/a", performer=[{"reference": "Practitioner/gone"}]))
    put(store, observation("a2", "Patient/a", derivedFrom=[{"reference": "Observation/b1"}]))
    put(store, observation("b1", "Patient/b"))
    put(store, care_plan("plan", "Patient/a"))
    put(store, observation("a0", "Patient/a"))
    delete(store, "Observation", "a0")
    put(store, _practitioner("gone"))
    delete(store, "Practitioner", "gone")
    return store


def page(store: Store, query: RecordQuery, caller: Caller = ANONYMOUS, **more: object) -> list[str]:
    """Type and id of what the page holds."""
    with store.reader() as connection:
        found = record_page(connection, caller, query, **more)  # type: ignore[arg-type]
        return [stored.reference for stored in found]


def test_the_record_is_what_lies_in_the_compartment_without_the_patient(clinic: Store) -> None:
    assert page(clinic, RecordQuery("a")) == ["CarePlan/plan", "Observation/a1", "Observation/a2"]
    assert page(clinic, RecordQuery("b")) == ["Observation/b1"]
    assert page(clinic, RecordQuery("nobody")) == []


def test_some_types_only(clinic: Store) -> None:
    assert page(clinic, RecordQuery("a", types=("CarePlan", "Goal"))) == ["CarePlan/plan"]


def test_what_changed_since(clinic: Store) -> None:
    since = clinic.read(ANONYMOUS, "Observation", "a2").updated
    assert page(clinic, RecordQuery("a", since=since)) == ["CarePlan/plan", "Observation/a2"]


def test_pages_follow_one_another(clinic: Store) -> None:
    whole = page(clinic, RecordQuery("a"))
    pages: list[str] = []
    after = ("", 0)
    with clinic.reader() as connection:
        while found := record_page(connection, ANONYMOUS, RecordQuery("a"), after, 2):
            pages += [stored.reference for stored in found]
            after = (found[-1].type, found[-1].rid)
    assert pages == whole


def test_the_size_is_that_of_all_pages(clinic: Store) -> None:
    with clinic.reader() as connection:
        assert record_size(connection, ANONYMOUS, RecordQuery("a")) == 3
        assert record_size(connection, ANONYMOUS, RecordQuery("a", types=("Goal",))) == 0


def test_another_clients_record_is_empty(clinic: Store) -> None:
    mine = Caller("therapist", ANONYMOUS.scopes, clients=frozenset({"b"}))
    assert page(clinic, RecordQuery("a"), mine) == []
    assert page(clinic, RecordQuery("b"), mine) == ["Observation/b1"]
    with clinic.reader() as connection:
        assert record_size(connection, mine, RecordQuery("a")) == 0


def test_what_is_referred_to_comes_along_also_from_one_to_the_next(clinic: Store) -> None:
    """Neither what was deleted, nor the record of another client, nor what nobody refers to."""
    with clinic.reader() as connection:
        record = [clinic.read(ANONYMOUS, "Patient", "a")]
        record += record_page(connection, ANONYMOUS, RecordQuery("a"))
        shared = shared_references(connection, ANONYMOUS, record)
    assert [stored.reference for stored in shared] == [
        "Organization/clinic",
        "PractitionerRole/role",
        "Practitioner/runa",
    ]


def test_a_reference_within_a_text_is_none(clinic: Store) -> None:
    put(
        clinic,
        observation(
            "a3", "Patient/a", note=[{"text": 'see {"reference":"Organization/unused"} there'}]
        ),
    )
    with clinic.reader() as connection:
        record = record_page(connection, ANONYMOUS, RecordQuery("a"))
        assert shared_references(connection, ANONYMOUS, record) == []


def test_many_references_are_followed_in_batches(clinic: Store) -> None:
    performers = [{"reference": f"Practitioner/p{number}"} for number in range(900)]
    for number in (0, 450, 899):
        put(clinic, _practitioner(f"p{number}"))
    put(clinic, observation("many", "Patient/a", performer=performers))
    with clinic.reader() as connection:
        record = record_page(connection, ANONYMOUS, RecordQuery("a"))
        shared = shared_references(connection, ANONYMOUS, record)
    assert {stored.id for stored in shared} == {"p0", "p450", "p899"}
