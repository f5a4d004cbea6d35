"""Session notes by a clinic system that sees its own clients only; clinics with equal numbers."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import NotFound
from service.intake.answers import SessionAnswer
from service.intake.csv_cells import Layout
from service.intake.drafts import Reading
from service.intake.models import Clinic
from service.intake.routes import take
from service.store.store import Store
from tests.store.keeping import BASE, put

Json = dict[str, Any]

IDS = "https://numbers.example/ids/"


def caller(place: str, *scopes: str) -> Caller:
    return Caller(
        place, frozenset(scopes or ("system/*.cruds",)), tied=frozenset({f"Organization/{place}"})
    )


@pytest.fixture
def clinics(store: Store) -> Store:
    """Two clinics that number their clients alike, under one identifier system."""
    for place in ("north", "south"):
        identifier = [{"system": f"{IDS}client", "value": "C-1"}]
        organization = {"reference": f"Organization/{place}"}
        put(store, {
            "resourceType": "Patient", "id": place, "identifier": identifier,
            "managingOrganization": organization,
        })  # fmt: skip
    return store


def send(store: Store, who: Caller, session: str = "S-1", client: str = "C-1") -> SessionAnswer:
    note = {
        "session": session,
        "client": client,
        "start": "2025-11-02T09:00",
        "end": "2025-11-02T09:45",
        "measures": [{"measure": "swallow-delay", "value": 2.5, "unit": "s"}],
    }
    reading = Reading(Clinic(identifiers=IDS, timeZone="-07:00"), datetime(2026, 1, 1, tzinfo=UTC))
    body = json.dumps(note).encode()
    layout = Layout(None, False, None)
    (answer,) = take(
        store, who, BASE, body, "application/json", reading, layout, 10**6, atomic=False
    )
    return answer


def test_a_number_of_two_clinics_means_the_own_client(clinics: Store) -> None:
    assert send(clinics, ANONYMOUS).status == "refused"
    north, south = caller("north"), caller("south")
    mine = send(clinics, north, "N-1")
    theirs = send(clinics, south, "S-1")
    assert (mine.status, theirs.status) == ("stored", "stored"), (mine.issues, theirs.issues)
    assert send(clinics, north, "N-1").status == "unchanged"
    for name in mine.resources:
        clinics.read(north, *name.split("/"))
        with pytest.raises(NotFound):
            clinics.read(south, *name.split("/"))


def test_the_session_of_another_clinic_is_neither_seen_nor_changed(clinics: Store) -> None:
    """The id of a session follows from its number: it is refused, with a word about no client."""
    theirs = send(clinics, caller("south"))
    before = [clinics.read(ANONYMOUS, *name.split("/")) for name in theirs.resources]
    answer = send(clinics, caller("north"))
    assert answer.status == "refused"
    assert [clinics.read(ANONYMOUS, *n.split("/")) for n in theirs.resources] == before


def test_scopes_hold_for_what_a_note_becomes(clinics: Store) -> None:
    few = caller("north", "system/*.rs", "system/Encounter.cu", "system/Observation.cu")
    answer = send(clinics, few)
    assert answer.status == "refused"
    assert answer.http == 403
    kinds = ("Encounter", "Observation", "Procedure", "Provenance", "DocumentReference")
    enough = caller("north", "system/*.rs", *(f"system/{kind}.cu" for kind in kinds))
    assert send(clinics, enough).status == "stored"
