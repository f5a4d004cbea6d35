"""Session notes by a clinic system that sees its own clients only."""

from __future__ import annotations

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import NotFound
from service.store.store import Store
from tests.intake.numbering import NORTH, SOUTH, send, set_up


@pytest.fixture
def clinics(store: Store) -> Store:
    """Two clinics that number their clients alike, under one identifier system."""
    set_up(store, "north", "south")
    return store


def test_a_number_of_two_clinics_means_the_own_client(clinics: Store) -> None:
    assert send(clinics, ANONYMOUS).status == "refused"
    mine = send(clinics, NORTH)
    theirs = send(clinics, SOUTH)
    assert (mine.status, theirs.status) == ("stored", "stored"), (mine.issues, theirs.issues)
    assert send(clinics, NORTH).status == "unchanged"
    for name in mine.resources:
        clinics.read(NORTH, *name.split("/"))
        with pytest.raises(NotFound):
            clinics.read(SOUTH, *name.split("/"))


def test_scopes_hold_for_what_a_note_becomes(clinics: Store) -> None:
    def north(*scopes: str) -> Caller:
        return Caller("north", frozenset(scopes), tied=NORTH.tied)

    answer = send(clinics, north("system/*.rs", "system/Encounter.cu", "system/Observation.cu"))
    assert answer.status == "refused"
    assert answer.http == 403
    kinds = ("Encounter", "Observation", "Procedure", "Provenance", "DocumentReference")
    enough = north("system/*.rs", *(f"system/{kind}.cu" for kind in kinds))
    assert send(clinics, enough).status == "stored"
