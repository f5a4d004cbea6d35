"""Which session a number means when somebody moved, deleted or kept things; and in earlier stores.

Nothing may be lost or overwritten by it.
"""

from __future__ import annotations

import json

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden
from service.intake.answers import SessionAnswer
from service.intake.drafts import Draft
from service.intake.identity import earlier_id
from service.intake.meant import Numbers
from service.store.store import Store
from tests.intake.numbering import IDS, NORTH, SOUTH, Json, client, encounters, send, set_up
from tests.store.keeping import delete, put


@pytest.fixture
def clinics(store: Store) -> Store:
    set_up(store, "north", "south")
    return store


def body(store: Store, name: str) -> Json:
    """What is stored under a name."""
    return dict(json.loads(store.read(ANONYMOUS, *name.split("/")).body or b""))


def bodies(store: Store, answer: SessionAnswer) -> list[Json]:
    return [body(store, name) for name in answer.resources]


def observed(answer: SessionAnswer) -> str:
    (name,) = [one for one in answer.resources if one.startswith("Observation/")]
    return name


def in_an_earlier_store(
    store: Store, monkeypatch: pytest.MonkeyPatch, who: Caller
) -> SessionAnswer:
    """A session as it was stored when ids followed from the number alone."""

    def new_id(_: Numbers, draft: Draft, client: str) -> str:
        return earlier_id(draft.system, draft.value, "Encounter")

    with monkeypatch.context() as patched:
        patched.setattr(Numbers, "_new_id", new_id)
        answer = send(store, who)
    for name, key in (("DocumentReference", ""), ("Observation", "swallow-delay")):
        assert f"{name}/{earlier_id(f'{IDS}session', 'S-1', name, key)}" in answer.resources
    return answer


def test_sessions_of_earlier_stores_keep_their_ids(
    clinics: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = in_an_earlier_store(clinics, monkeypatch, NORTH)
    again = send(clinics, NORTH)
    assert (again.status, again.resources) == ("unchanged", first.resources)
    corrected = send(clinics, NORTH, revision=2, note="n")
    assert (corrected.status, corrected.resources) == ("corrected", first.resources)
    before = bodies(clinics, first)
    theirs = send(clinics, SOUTH)
    assert theirs.status == "stored"
    assert not set(theirs.resources) & set(first.resources)
    assert send(clinics, SOUTH, revision=2).resources == theirs.resources
    assert bodies(clinics, first) == before
    for name in first.resources:
        delete(clinics, *name.split("/"), NORTH)
    assert send(clinics, NORTH, of="C-2").encounter not in first.resources
    (other,) = encounters(clinics, NORTH)
    delete(clinics, "Encounter", other["id"], NORTH)
    again = send(clinics, NORTH)
    assert (again.status, again.resources) == ("stored", first.resources)


def test_a_deleted_session_comes_back_under_its_id(clinics: Store) -> None:
    first = send(clinics, NORTH)
    delete(clinics, *str(first.encounter).split("/"), NORTH)
    again = send(clinics, NORTH)
    assert (again.status, again.resources) == ("stored", first.resources)


def test_a_client_who_moves_takes_his_sessions_along(clinics: Store) -> None:
    """And the clinic he comes to may have used the same numbers."""
    of, own_of = {"reference": "Patient/north"}, {"reference": "Patient/south"}
    came, own = send(clinics, NORTH, of=of), send(clinics, SOUTH, of=own_of)
    put(clinics, client("north", "south"))
    assert send(clinics, SOUTH, of=own_of).resources == own.resources
    found = send(clinics, SOUTH, of=of)
    assert (found.status, found.resources) == ("unchanged", came.resources)
    before = bodies(clinics, own)
    assert send(clinics, SOUTH, of=of, revision=2, note="n").encounter == came.encounter
    assert bodies(clinics, own) == before
    neither = send(clinics, SOUTH, of="C-2")
    assert (neither.http_status, neither.issues[0].location) == (409, "/client")
    # The clinic he left may use the number again.
    assert send(clinics, NORTH, of=of).status == "refused"
    assert send(clinics, NORTH, of="C-2").status == "stored"


def test_a_session_moved_into_another_record_is_left_there(clinics: Store) -> None:
    first = send(clinics, NORTH)
    moved = body(clinics, str(first.encounter))
    put(clinics, moved | {"subject": {"reference": "Patient/south"}})
    before = bodies(clinics, first)
    second = send(clinics, NORTH)
    assert second.status == "stored"
    assert not set(second.resources) & set(first.resources)
    assert send(clinics, NORTH).status == "unchanged"
    assert send(clinics, NORTH, revision=2).resources == second.resources
    delete(clinics, *str(second.encounter).split("/"), NORTH)
    assert send(clinics, NORTH).encounter == second.encounter
    assert bodies(clinics, first) == before


def test_a_part_moved_into_another_record_is_left_there(clinics: Store) -> None:
    first = send(clinics, NORTH)
    put(clinics, body(clinics, observed(first)) | {
        "subject": {"reference": "Patient/south"}, "encounter": {"display": "elsewhere"},
    })  # fmt: skip
    moved = body(clinics, observed(first))
    for revision in (2, 3):
        answer = send(clinics, NORTH, revision=revision, note=f"{revision}")
        assert answer.status == "corrected"
        assert observed(answer) != observed(first)
        assert body(clinics, observed(answer))["status"] == "final"
    assert body(clinics, observed(first)) == moved


def test_a_session_that_was_given_another_number_is_left_alone(clinics: Store) -> None:
    first = send(clinics, NORTH)
    other = [{"system": f"{IDS}session", "value": "S-2"}]
    put(clinics, body(clinics, str(first.encounter)) | {"identifier": other}, NORTH)
    second = send(clinics, NORTH)
    assert (second.status, second.encounter == first.encounter) == ("stored", False)
    assert [one["id"] for one in encounters(clinics, NORTH, "S-2")] == [
        str(first.encounter).partition("/")[2]
    ]


def test_another_system_of_the_same_clinic_may_correct(clinics: Store) -> None:
    first = send(clinics, NORTH)
    other = Caller("another system", NORTH.scopes, tied=NORTH.tied)
    assert send(clinics, other).status == "unchanged"
    assert send(clinics, other, revision=2).resources == first.resources


@pytest.mark.parametrize(
    "scopes",
    [
        ("system/*.cud",),
        ("system/*.crud",),
        ("system/*.cuds",),
        ("system/*.cud", "system/Patient.rs", "system/Encounter.rs?status=finished"),
        ("system/*.cud", "system/Patient.rs", "system/Encounter.rs"),
    ],
)
def test_who_may_not_see_what_is_there_delivers_nothing(
    clinics: Store, scopes: tuple[str, ...]
) -> None:
    """Else each repetition would be stored once more."""
    with pytest.raises(Forbidden):
        send(clinics, Caller("north", frozenset(scopes), tied=NORTH.tied))


def test_the_glass_is_broken_for_reading_alone(clinics: Store) -> None:
    theirs = send(clinics, SOUTH)
    person = Caller(
        "robin", frozenset({"user/*.cruds"}), tied=NORTH.tied, kind="person", purpose="emergency"
    )
    assert send(clinics, person, of={"reference": "Patient/south"}).status == "refused"
    mine = send(clinics, person)
    assert (mine.status, mine.encounter == theirs.encounter) == ("stored", False)
