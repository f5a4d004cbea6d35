"""What happened, newest first? (R4 http page, #history: `_since`, `_at`, `_count`)"""

from __future__ import annotations

from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.store.history import HistoryQuery, history, version_count
from service.store.rows import Stored
from service.store.store import Store
from service.store.unit import unit_of_work
from tests.factories.clinical import observation, patient
from tests.store.keeping import BASE

MINUTE = 60_000_000


@pytest.fixture
def told(store: Store) -> Store:
    """What happened in minute 1 to 6, a unit each: o1, o1 and o2, p1, o1, o2 deleted, o2."""
    steps = [["o1"], ["o1", "o2"], ["p1"], ["o1"], ["-o2"], ["o2"]]
    for minute, names in enumerate(steps, 1):
        time = minute * MINUTE
        with unit_of_work(store.database, ANONYMOUS, lambda: time) as unit:  # noqa: B023
            for name in names:
                key = name.removeprefix("-")
                kind = "Patient" if key == "p1" else "Observation"
                current = unit.current(kind, key)
                if name.startswith("-"):
                    assert current is not None
                    unit.delete(current)
                    continue
                resource = patient(key) if kind == "Patient" else observation(key, "Patient/p1")
                unit.append(resource, key, BASE, method="PUT", current=current)
    return store


ALL = ["o2/3", "o2/2", "o1/3", "p1/1", "o2/1", "o1/2", "o1/1"]


def asked(store: Store, caller: Caller = ANONYMOUS, **query: Any) -> list[str]:
    """Ids with their version numbers."""
    return [f"{found.id}/{found.vid}" for found in versions(store, caller, **query)]


def versions(store: Store, caller: Caller = ANONYMOUS, **query: Any) -> list[Stored]:
    """The versions as they are handed out."""
    with store.reader() as connection:
        return history(connection, caller, HistoryQuery(**query))


def test_all_of_the_store_newest_first(told: Store) -> None:
    assert asked(told) == ALL


def test_of_one_type_and_of_one_resource(told: Store) -> None:
    assert asked(told, type="Observation") == [name for name in ALL if name != "p1/1"]
    assert asked(told, type="Observation", id="o2") == ["o2/3", "o2/2", "o2/1"]
    assert asked(told, type="Patient", id="o2") == []


def test_a_deletion_is_a_version_without_a_body(told: Store) -> None:
    deletion = versions(told, type="Observation", id="o2")[1]
    assert (deletion.deleted, deletion.body, deletion.method) == (True, None, "DELETE")
    rest = [found for found in versions(told) if found.seq != deletion.seq]
    assert all(found.body is not None and not found.deleted for found in rest)


def test_since_gives_what_was_written_at_or_after_it(told: Store) -> None:
    expected = {0: ALL, 2: ALL[:6], 2.5: ALL[:4], 6: ALL[:1], 7: []}
    assert {minute: asked(told, since=int(minute * MINUTE)) for minute in expected} == expected


def test_at_gives_what_was_current_then(told: Store) -> None:
    expected = {
        (0.5, 0.9): [],
        (1.5, 1.5): ["o1/1"],
        (1.5, 2.5): ["o2/1", "o1/2", "o1/1"],
        (3.5, 3.5): ["p1/1", "o2/1", "o1/2"],
        (5.5, 5.5): ["o2/2", "o1/3", "p1/1"],
        (2, 2): ["o2/1", "o1/2"],
        (9, 9): ["o2/3", "o1/3", "p1/1"],
    }
    found = {
        (low, high): asked(told, at=(int(low * MINUTE), int(high * MINUTE)))
        for low, high in expected
    }
    assert found == expected


def test_pages_follow_one_another_without_loss_or_repetition(told: Store) -> None:
    queries: list[dict[str, Any]] = [{}, {"type": "Observation"}]
    queries.append({"type": "Observation", "id": "o1"})
    for query in queries:
        pages: list[str] = []
        before: int | None = None
        while page := versions(told, count=2, before=before, **query):
            pages += [f"{found.id}/{found.vid}" for found in page]
            before = page[-1].seq
        assert pages == asked(told, **query)


def test_another_clients_history_is_not_told_not_even_after_a_deletion(told: Store) -> None:
    stranger = Caller("stranger", ANONYMOUS.scopes, clients=frozenset({"p9"}))
    therapist = Caller("therapist", ANONYMOUS.scopes, clients=frozenset({"p1"}))
    assert asked(told, stranger) == []
    assert asked(told, stranger, type="Observation", id="o2") == []
    assert asked(told, therapist) == ALL


def test_versions_are_counted_for_those_who_may_see_them(told: Store) -> None:
    stranger = Caller("stranger", ANONYMOUS.scopes, clients=frozenset({"p9"}))
    with told.reader() as connection:
        assert version_count(connection, ANONYMOUS, "Observation", "o2") == 3
        assert version_count(connection, ANONYMOUS, "Observation", "none") == 0
        assert version_count(connection, stranger, "Observation", "o2") == 0
