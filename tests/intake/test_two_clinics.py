"""Is a clinic answered as if no other clinic had ever used its numbers?

The north delivers to a store where the south delivered the same before, step by step, and to one
that has never heard of the south. Answers, ids and all that the north can see then are the same to
the letter, and so are the statements sent to the database, which is what an answer takes in time.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import HyoidError
from service.intake import answers
from service.intake.drafts import Draft
from service.intake.identity import earlier_id
from service.intake.meant import Numbers
from service.store.connection import Connection
from service.store.store import Store
from tests.intake.numbering import (
    IDS,
    NORTH,
    SOUTH,
    Json,
    client,
    deliver,
    encounters,
    note,
    send,
    set_up,
)
from tests.store.keeping import delete, put

Step = Callable[[Store, Caller], list[answers.SessionAnswer]]

TABLE = """session,client,date,start,technique,trials,successes,measure,value,unit
S-2,C-1,2025-11-03,09:00,faucial-cold-strokes,10,7,,,
S-2,C-1,2025-11-03,09:00,,,,swallow-delay,2.5,s
"""
ROW_MORE = "S-2,C-1,2025-11-03,09:00,,,,amr-rate,5.5,/s\n"
ROW_OTHER = "S-2,C-1,2025-11-03,09:00,,,,swallow-delay,3.5,s\n"
WHOLE = note(
    techniques=[{"technique": "faucial-cold-strokes", "trials": 10, "successes": 7}],
    events=[{"event": "cough"}],
    scales=[{"scale": "eating-assessment-10", "answers": {f"item-{n}": 1 for n in range(1, 11)}}],
)


def of_notes(*notes: Json, atomic: bool = False) -> Step:
    body = json.dumps(list(notes)).encode()
    return lambda store, who: deliver(store, who, body, atomic=atomic)


def of_table(text: str) -> Step:
    return lambda store, who: deliver(store, who, text.encode(), "text/csv")


def deleted(number: str, *kinds: str) -> Step:
    """The caller deletes resources of a session."""

    def step(store: Store, who: Caller) -> list[answers.SessionAnswer]:
        for name in [one for one in seen(store, who) if one[0].split("/")[0] in kinds]:
            if number in name[1]:
                delete(store, *name[0].split("/"), who)
        return []

    return step


def by_fhir(number: str) -> Step:
    """The caller keeps an Encounter with that number through the FHIR interface."""

    def step(store: Store, who: Caller) -> list[answers.SessionAnswer]:
        with store.write(who) as unit:
            unit.append(
                {
                    "resourceType": "Encounter",
                    "status": "finished",
                    "class": {"code": "AMB"},
                    "identifier": [{"system": f"{IDS}session", "value": number}],
                    "subject": {"reference": f"Patient/{who.name}"},
                },
                f"by-fhir-of-{who.name}",
                "http://store.example/fhir",
                method="POST",
                current=None,
            )
        return []

    return step


def steps() -> Iterator[tuple[str, Step]]:
    """What a clinic does with its numbers, and what becomes of the sessions."""
    corrected = WHOLE | {"revision": 2, "events": []}
    yield "stored", of_notes(WHOLE)
    yield "unchanged", of_notes(WHOLE)
    yield "refused", of_notes(WHOLE | {"note": "Another"})
    yield "corrected", of_notes(corrected)
    yield "refused", of_notes(WHOLE)
    yield "refused", of_notes(note(of="C-2", revision=3))
    yield (
        "stored refused refused",
        of_notes(note("S-3"), note("S-3", start="2025-11-02T08:00"), note("S-4", "C-9")),
    )
    yield "refused refused", of_notes(note("S-5"), note("S-6", "C-9"), atomic=True)
    yield "refused", of_notes(note("S-5", {"reference": "Patient/south"}))
    yield "stored", of_table(TABLE)
    yield "corrected", of_table(TABLE + ROW_MORE)
    yield "refused", of_table(TABLE.replace("7", "8", 1))
    yield "refused", of_table(TABLE.partition("\n")[0] + "\n" + ROW_OTHER)
    yield "corrected", of_notes(corrected | {"revision": 3, "withdrawn": True})
    yield "unchanged", of_notes(corrected | {"revision": 3, "withdrawn": True})
    yield "refused", of_notes(corrected)
    yield "", deleted("S-2", "Encounter")
    yield "stored", of_table(TABLE)
    yield "", deleted("S-3", "Encounter", "Observation", "DocumentReference", "Provenance")
    yield "stored", of_notes(note("S-3"))
    yield "", deleted("S-1", "Encounter", "Procedure")
    yield "stored", of_notes(note("S-1", "C-2"))
    yield "", by_fhir("S-7")
    yield "refused", of_notes(note("S-7"))


def told(found: list[answers.SessionAnswer]) -> Any:
    return (
        answers.status_of(found) if found else None,
        answers.as_json(found),
        answers.as_outcome(found),
        [(each.http_status, each.written) for each in found],
    )


def seen(store: Store, who: Caller) -> list[tuple[str, str]]:
    """All that a caller can see, but for times of the service."""
    with store.reader() as connection:
        rows = connection.rows("SELECT type, id FROM resource ORDER BY type, id")
    found = []
    for kind, key in rows:
        try:
            body = (store.read(who, kind, key).body or b"").decode()
        except HyoidError as error:
            if error.status == 410:
                found.append((f"{kind}/{key}", "gone"))
            continue
        found.append((f"{kind}/{key}", re.sub('"lastUpdated":"[^"]*"', "", body)))
    return found


@pytest.fixture
def statements(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The SQL that is sent, as it is sent."""
    sent: list[str] = []
    for name in ("rows", "row", "run", "many"):
        real = getattr(Connection, name)

        def noted(self: Any, sql: str, *rest: Any, real: Any = real) -> Any:
            sent.append(sql)
            return real(self, sql, *rest)

        monkeypatch.setattr(Connection, name, noted)
    return sent


def as_before(_: object, draft: Draft, client: str) -> str:
    """The id as earlier stores had it."""
    return earlier_id(draft.system, draft.value, "Encounter")


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
@pytest.mark.parametrize("lead", ["a step", "everything", "everything, long ago"])
def test_the_numbers_of_another_clinic_make_no_difference(
    module_store: Any,
    monkeypatch: pytest.MonkeyPatch,
    statements: list[str],
    engine: str,
    lead: str,
) -> None:
    mixed, alone = module_store(engine), module_store(engine)
    set_up(mixed, "north", "south")
    set_up(alone, "north")
    if lead != "a step":
        with monkeypatch.context() as patched:
            if lead == "everything, long ago":
                patched.setattr(Numbers, "_new_id", as_before)
            for _, step in steps():
                step(mixed, SOUTH)
    for expected, step in steps():
        if lead == "a step":
            step(mixed, SOUTH)
        before = seen(mixed, SOUTH)
        both = []
        for store in (mixed, alone):
            statements.clear()
            found = step(store, NORTH)
            assert [answer.status for answer in found] == expected.split()
            both.append((told(found), list(statements) if found else [], seen(store, NORTH)))
        assert both[0][0] == both[1][0]
        assert both[0][2] == both[1][2]
        assert both[0][1] == both[1][1]
        assert seen(mixed, SOUTH) == before
    for number in ("S-1", "S-2", "S-3", "S-7"):
        assert len(encounters(mixed, NORTH, number)) == 1
        assert len(encounters(mixed, ANONYMOUS, number)) == 2


def test_racing_clinics_have_one_session_each(store: Store) -> None:
    set_up(store, "north", "south")
    for number in ("S-1", "S-2"):
        with ThreadPoolExecutor(8) as pool:
            who = [NORTH, SOUTH] * 4
            found = list(pool.map(lambda one, n=number: send(store, one, n), who))
        statuses = [
            sorted(answer.status for answer, one in zip(found, who, strict=True) if one is place)
            for place in (NORTH, SOUTH)
        ]
        assert statuses == [["stored", *["unchanged"] * 3]] * 2
        assert len({answer.encounter for answer in found}) == 2
        assert len(encounters(store, ANONYMOUS, number)) == 2


def test_an_all_seeing_caller_means_the_session_of_the_client(store: Store) -> None:
    set_up(store, "north", "south")
    put(store, client("third", "east", "C-3"))
    mine, theirs = send(store, NORTH), send(store, SOUTH)
    for place, first in (("north", mine), ("south", theirs)):
        of = {"reference": f"Patient/{place}"}
        again = send(store, ANONYMOUS, of=of, revision=2)
        assert (again.status, again.encounter) == ("corrected", first.encounter)
    refused = send(store, ANONYMOUS, of="C-3")
    assert (refused.http_status, refused.issues[0].location) == (409, "/client")
    assert "Patient/north" in refused.issues[0].text
    assert "Patient/south" in refused.issues[0].text
    # Somebody makes both of them sessions of one client.
    (moved,) = encounters(store, SOUTH)
    put(store, moved | {"subject": {"reference": "Patient/north"}})
    refused = send(store, ANONYMOUS, of={"reference": "Patient/north"}, revision=3)
    assert (refused.http_status, refused.issues[0].location) == (409, "/session")
    assert str(mine.encounter) in refused.issues[0].text
    assert str(theirs.encounter) in refused.issues[0].text
