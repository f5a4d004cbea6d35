"""May the glass be broken? By whom, how, and for what."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.access.glass import with_purpose
from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, Malformed
from service.settings import Settings, settings_from
from service.store.store import Store
from tests.access.asking import Asking, asking
from tests.factories.clinical import observation, patient

REASON = "Seen choking in the waiting room"
TIED = Caller("t", ANONYMOUS.scopes, tied=frozenset({"Organization/o"}), kind="person")


@pytest.fixture
def ask(store: Store) -> Iterator[Asking]:
    """A service that allows it, with a client of nobody."""
    with asking(store, break_glass=True) as asker:
        asker(ANONYMOUS, "PUT", "Patient/p1", patient("p1"))
        asker(ANONYMOUS, "PUT", "Observation/o1", observation("o1"))
        yield asker


def test_a_reason_lets_a_person_read_beyond_the_own_clients(ask: Asking) -> None:
    assert ask(TIED, "GET", "Patient/p1").status == 404
    for address in ("Patient/p1", "Patient/p1/_history/1", "Patient/p1/$everything"):
        assert ask(TIED, "GET", address, x_purpose=REASON).status == 200
    assert ask(TIED, "GET", "Observation?patient=p1", x_purpose=REASON).json()["total"] == 1
    assert ask(TIED, "GET", "Observation?patient=p1").json()["total"] == 0


@pytest.mark.parametrize(
    "address",
    [
        "",
        "?_type=Patient",
        "_history",
        "Patient/_history",
        "Patient",
        "Patient?_id=p1,p2",
        "Patient?name=Fam",
        "Patient?birthdate=1960-01-01",
        "Patient?name=Fam&birthdate=1960",
        "Patient?name=Fam&birthdate=gt1900-01-01",
        "Patient?identifier=https://a.example|",
        "Patient?identifier:not=1",
        "Observation",
        "Observation?patient=p1,p2",
        "Observation?patient:missing=false",
        "Observation?patient.name=Fam",
        "Observation?performer=Patient/p1,Patient/p2",
        "Observation?code=x",
        "Observation/$lastn?patient=p1,p2&category=exam",
        "$export",
        "Patient/$export",
        "Group/g/$export",
        "$export-status/1",
        "Organization?_id=o&_revinclude=Patient:organization",
        "Patient?_id=p1&_include=Patient:organization&_revinclude:iterate=Patient:organization",
        "Group?_id=g&_include=Group:member",
        "Observation?patient=p1&_include=Observation:performer",
        "Patient/p1/Observation?_include=*",
        "Observation/$lastn?patient=p1&category=exam&_include=Observation:performer",
    ],
)
def test_a_reason_opens_one_record_and_not_the_house(ask: Asking, address: str) -> None:
    answer = ask(TIED, "GET", address, x_purpose=REASON, prefer="respond-async")
    assert answer.status == 403
    assert answer.json()["issue"][0]["location"] == ["http.X-Purpose"]
    assert ask(replace(TIED, tied=None), "GET", address, x_purpose=REASON).status != 403


@pytest.mark.parametrize(
    "address",
    [
        "Patient?_id=p1",
        "Patient?identifier=1",
        "Patient?family=Fam&birthdate=1960-01-01",
        "Patient/p1/Observation",
        "Patient/p1/*",
        "Observation?subject=Patient/p1&code=x",
        "Observation?_id=o1",
        "Observation/o1/_history",
        "Observation/$lastn?patient=p1&category=exam",
        "Patient/p1/$summary",
    ],
)
def test_one_record_may_be_asked_for_in_every_way(ask: Asking, address: str) -> None:
    assert ask(TIED, "GET", address, x_purpose=REASON).status == 200


def test_a_bundle_of_questions_needs_no_reason(ask: Asking) -> None:
    entries = [{"request": {"method": "GET", "url": "Patient/p1"}}]
    batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    assert ask(TIED, "POST", "", batch, x_purpose=REASON).status == 403
    assert ask(TIED, "POST", "", batch).status == 200


def test_it_is_for_reading_alone(ask: Asking) -> None:
    made = observation("o1", value=1)
    assert ask(TIED, "PUT", "Observation/o1", made, x_purpose=REASON).status == 403
    assert ask(TIED, "POST", "Observation", observation(), x_purpose=REASON).status == 403
    ask(TIED, "DELETE", "Observation/o1", x_purpose=REASON)
    assert ask(ANONYMOUS, "GET", "Observation/o1").headers["etag"] == 'W/"1"'


def test_scopes_and_explicit_clients_stay(ask: Asking) -> None:
    few = replace(TIED, scopes=frozenset({"user/Patient.rs"}))
    assert ask(few, "GET", "Observation/o1", x_purpose=REASON).status == 403
    one = replace(TIED, tied=None, clients=frozenset({"p2"}))
    assert ask(one, "GET", "Patient/p1", x_purpose=REASON).status == 404


def test_not_without_the_setting_and_not_for_a_system(ask: Asking) -> None:
    system = replace(TIED, kind="system")
    assert ask(system, "GET", "Patient/p1", x_purpose=REASON).status == 403
    with pytest.raises(Forbidden):
        with_purpose(TIED, {"x-purpose": REASON}, allowed=False)
    assert not Settings().break_glass
    assert settings_from({"HYOID_BREAK_GLASS": "true"}).break_glass
    with pytest.raises(ValueError, match="HYOID_BREAK_GLASS"):
        settings_from({"HYOID_BREAK_GLASS": "yes"})


@pytest.mark.parametrize("reason", ["", "short", " " * 40, "x" * 501, "a line\nand another"])
def test_the_reason_is_in_words(reason: str) -> None:
    with pytest.raises(Malformed):
        with_purpose(TIED, {"x-purpose": reason}, allowed=True)


def test_the_reason_is_kept_as_it_was_written() -> None:
    """Header bytes reach us as Latin-1 (ASGI); browsers and scripts send UTF-8."""
    sent = "Verschluckt beim Frühstück".encode().decode("latin-1")
    assert with_purpose(TIED, {"x-purpose": sent}, allowed=True).purpose == (
        "Verschluckt beim Frühstück"
    )
    assert with_purpose(TIED, {}, allowed=True) is TIED
    untied = replace(TIED, tied=None)
    assert with_purpose(untied, {"x-purpose": REASON}, allowed=True) is untied
