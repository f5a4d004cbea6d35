"""Is an export the state at one moment, whatever is written while it is listed and fetched?

Outside source: Bulk Data Access 3.0.0, transactionTime ("SHALL cover all matches up to it, SHOULD
NOT hold later ones"), deleted ("never also in output"), output files ("newest version only").
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, Throttled
from service.handover.bulk.lines import lines_of
from service.handover.bulk.listing import list_on
from service.store import export_walk
from service.store.exports import ExportLimits, drop_export, find_export, open_export
from service.store.store import Store
from tests.factories.clinical import observation, patient
from tests.handover.bulk.taking import (
    BASE,
    LIMITS,
    OWNER,
    fetched,
    files_of,
    listed,
    now,
    opened,
    request,
    take,
)
from tests.store.keeping import delete, put

ALL = frozenset({"system/*.rs"})
CLINICAL = ("Patient", "Observation", "Provenance")


@pytest.fixture
def clinic(store: Store) -> Store:
    """Two clients with two measures each; one of them was written twice, another taken away."""
    for key in "ab":
        put(store, patient(key))
        for number in (1, 2):
            put(store, observation(f"{key}{number}", f"Patient/{key}", value=number))
    put(store, observation("a1", "Patient/a", value=3))
    put(store, observation("gone", "Patient/a"))
    delete(store, "Observation", "gone")
    return store


def about(key: str, target: str) -> dict[str, Any]:
    return {
        "resourceType": "Provenance",
        "id": key,
        "target": [{"reference": target}],
        "recorded": "2026-05-04T09:00:00Z",
        "agent": [{"who": {"display": "the clinic system"}}],
    }


def test_the_newest_version_of_each_once(clinic: Store) -> None:
    taken = take(clinic, request(types=CLINICAL))
    assert sorted(taken.versions) == [
        ("Observation", "a1", 2),
        ("Observation", "a2", 1),
        ("Observation", "b1", 1),
        ("Observation", "b2", 1),
        ("Patient", "a", 1),
        ("Patient", "b", 1),
    ]
    assert taken.deleted == []


def change_everything(store: Store) -> None:
    """After the kick-off: changed, moved, deleted, re-created, new."""
    put(store, observation("a1", "Patient/a", value=99))
    put(store, observation("a2", "Patient/b"))
    put(store, observation("new", "Patient/a"))
    put(store, observation("gone", "Patient/a"))
    delete(store, "Observation", "b1")
    delete(store, "Patient", "b")
    put(store, patient("b"))


@pytest.mark.parametrize("when", ["before it is listed", "before it is fetched"])
def test_what_is_written_later_changes_nothing(clinic: Store, when: str) -> None:
    asked = request(types=CLINICAL)
    expected = take(clinic, asked)
    export = opened(clinic, asked)
    if when == "before it is listed":
        change_everything(clinic)
    export = listed(clinic, asked, export)
    change_everything(clinic)
    assert sorted(fetched(clinic, asked, export).versions) == sorted(expected.versions)


@pytest.mark.parametrize("page", [1, 2, 3])
def test_what_is_written_between_two_pages_changes_nothing(
    clinic: Store, page: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step ends after one page of so few resources, and everything is changed in between."""
    asked = request(types=CLINICAL)
    expected = take(clinic, asked)
    monkeypatch.setattr(export_walk, "SETTLED", page)
    monkeypatch.setattr(export_walk, "CHANGED", page)
    export = opened(clinic, asked)
    steps = 0
    while not export.done:
        after = list_on(clinic, ANONYMOUS, export, asked, seconds=0, file_size=3, clock=now)
        assert after is not None
        export = after
        if steps < 8:
            put(clinic, observation(["a1", "a2", "b1", "b2"][steps % 4], "Patient/a", value=steps))
        if steps == 3:
            delete(clinic, "Observation", "b2")
        steps += 1
    assert steps > 4
    assert sorted(fetched(clinic, asked, export).versions) == sorted(expected.versions)


def test_a_filter_is_asked_of_the_version_that_was_current(clinic: Store) -> None:
    asked = request(types=("Observation",), filters=("Observation?value-quantity=gt1",))
    expected = take(clinic, asked)
    assert expected.names == {"Observation/a1", "Observation/a2", "Observation/b2"}
    export = opened(clinic, asked)
    put(clinic, observation("a1", "Patient/a", value=0))
    put(clinic, observation("b1", "Patient/b", value=5))
    delete(clinic, "Observation", "b2")
    export = listed(clinic, asked, export)
    assert fetched(clinic, asked, export).versions == expected.versions


@pytest.mark.parametrize("members", [["a"], ["a", "b"], ["b", "never-there"]])
def test_records_are_those_of_the_moment(clinic: Store, members: list[str]) -> None:
    """A measure of both clients comes once; who moves after the kick-off is where it was."""
    both = observation("both", "Patient/a", performer=[{"reference": "Patient/b"}])
    put(clinic, both)
    put(clinic, about("x", "Observation/a1"))
    put(clinic, about("y", "Observation/b1"))
    asked = request("group", CLINICAL, members=True)
    expected = take(clinic, asked, members)
    own = {f"Observation/{m}{n}" for m in members for n in (1, 2) if m in "ab"}
    own |= {f"Patient/{m}" for m in members if m in "ab"} | {"Observation/both"}
    own |= {f"Provenance/{'x' if m == 'a' else 'y'}" for m in members if m in "ab"}
    assert expected.names == own
    export = opened(clinic, asked, members)
    change_everything(clinic)
    delete(clinic, "Provenance", "x")
    put(clinic, about("y", "Observation/a1"))
    export = listed(clinic, asked, export)
    assert sorted(fetched(clinic, asked, export).versions) == sorted(expected.versions)


def test_since_tells_what_is_new_and_what_is_gone(clinic: Store) -> None:
    asked = request(types=CLINICAL)
    first = take(clinic, asked)
    change_everything(clinic)
    after = take(clinic, replace(asked, since=first.updated))
    assert sorted(after.versions) == [
        ("Observation", "a1", 3),
        ("Observation", "a2", 2),
        ("Observation", "gone", 3),
        ("Observation", "new", 1),
        ("Patient", "b", 3),
    ]
    assert after.deleted == ["Observation/b1"]
    assert not take(clinic, replace(asked, since=after.updated)).versions


def test_a_deletion_is_told_though_it_was_taken_back_after_the_kick_off(clinic: Store) -> None:
    asked = request("group", CLINICAL, members=True)
    first = take(clinic, asked, "a")
    delete(clinic, "Observation", "a1")
    second = replace(asked, since=first.updated)
    export = opened(clinic, second, "a")
    put(clinic, observation("a1", "Patient/a"))
    taken = fetched(clinic, second, listed(clinic, second, export))
    assert (taken.deleted, taken.versions) == (["Observation/a1"], [])
    third = take(clinic, replace(asked, since=taken.updated), "a")
    assert third.versions == [("Observation", "a1", 4)]


def test_what_is_old_is_not_new_because_it_is_changed_later(clinic: Store) -> None:
    asked = request(types=CLINICAL)
    second = replace(asked, since=take(clinic, asked).updated)
    export = opened(clinic, second)
    change_everything(clinic)
    taken = fetched(clinic, second, listed(clinic, second, export))
    assert (taken.versions, taken.deleted) == ([], [])


def test_files_are_divided(clinic: Store) -> None:
    asked = request(types=("Observation",))
    export = listed(clinic, asked, opened(clinic, asked), file_size=3)
    assert [(file.name, file.count) for file in files_of(clinic, export)] == [
        ("1.Observation.ndjson", 3),
        ("2.Observation.ndjson", 1),
    ]


def test_many_who_poll_at_once_list_it_once(clinic: Store) -> None:
    for number in range(50):
        put(clinic, observation(f"o{number}", "Patient/a"))
    asked = request(types=CLINICAL)
    export = opened(clinic, asked)

    def poll(_: int) -> None:
        listed(clinic, asked, export, seconds=0.001, file_size=7)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(poll, range(4)))
    with clinic.reader() as connection:
        done = find_export(connection, OWNER, export.id, now())
    assert done is not None
    assert done.done
    assert len(fetched(clinic, asked, done).versions) == 56


def test_a_step_that_fails_leaves_nothing_and_is_done_again(
    clinic: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = request(types=CLINICAL)
    export = opened(clinic, asked)
    with monkeypatch.context() as broken:
        broken.setattr("service.handover.bulk.listing.keep_progress", _fail)
        with pytest.raises(RuntimeError):
            list_on(clinic, ANONYMOUS, export, asked, seconds=1, file_size=9, clock=now)
    assert files_of(clinic, export) == []
    assert len(fetched(clinic, asked, listed(clinic, asked, export)).versions) == 6


def _fail(*_: object) -> bool:
    raise RuntimeError("the process is gone")


def test_nothing_of_another_client_is_listed_or_fetched(clinic: Store) -> None:
    one = Caller("one", ALL, clients=frozenset({"a"}))
    other = Caller("other", ALL, clients=frozenset({"b"}))
    asked = request(types=CLINICAL, by=one)
    export = listed(clinic, asked, opened(clinic, asked), caller=one)
    assert fetched(clinic, asked, export, one).names == {
        "Patient/a",
        "Observation/a1",
        "Observation/a2",
    }
    for file in files_of(clinic, export):
        with pytest.raises(Forbidden):
            lines_of(clinic, other, asked, file, BASE)


def test_a_caller_who_may_do_more_now_gets_no_more_than_asked_then(clinic: Store) -> None:
    asked = request(types=("Patient",), by=Caller("one", ALL, clients=frozenset({"a"})))
    assert take(clinic, asked, caller=ANONYMOUS).names == {"Patient/a"}


def test_what_moved_into_the_callers_record_is_not_shown_as_it_was_before(clinic: Store) -> None:
    one = Caller("one", ALL, clients=frozenset({"a"}))
    asked = request(types=("Observation",), by=one)
    export = opened(clinic, asked)
    put(clinic, observation("b1", "Patient/a"))
    export = listed(clinic, asked, export, caller=one)
    assert fetched(clinic, asked, export, one).names == {"Observation/a1", "Observation/a2"}
    after = take(clinic, replace(asked, since=export.updated), caller=one)
    assert after.names == {"Observation/b1"}


def test_a_file_that_is_not_the_callers_any_more_breaks_off(clinic: Store) -> None:
    """Never a shorter file that looks whole."""
    one = Caller("one", ALL, clients=frozenset({"a"}))
    asked = request(types=("Observation",), by=one)
    export = listed(clinic, asked, opened(clinic, asked), caller=one)
    (file,) = files_of(clinic, export)
    lines = lines_of(clinic, one, asked, file, BASE)
    put(clinic, observation("a2", "Patient/b"))
    with pytest.raises(Forbidden):
        list(lines)


def test_an_export_is_its_callers_until_it_expires(clinic: Store) -> None:
    export = opened(clinic, request())
    with clinic.reader() as connection:
        assert find_export(connection, OWNER, export.id, now()) == export
        assert find_export(connection, "person test", export.id, now()) is None
        assert find_export(connection, OWNER, export.id, export.expires) is None


def test_what_has_expired_is_taken_away_by_the_next(clinic: Store) -> None:
    asked = request("group", members=True)
    old = listed(clinic, asked, opened(clinic, asked, "ab"))
    late = old.expires + 1
    open_export(clinic.database, OWNER, asked.to_text(), (), LIMITS, lambda: late)
    with clinic.reader() as connection:
        for table, column in (
            ("export", "id"),
            ("export_member", "export"),
            ("export_file", "export"),
        ):
            rows = connection.rows(f"SELECT 1 FROM {table} WHERE {column} = ?", (old.id,))
            assert rows == [], table


def test_one_who_lets_exports_lie_is_not_locked_out(clinic: Store) -> None:
    text = request().to_text()
    tight = ExportLimits(running=1, kept=3, life=LIMITS.life)
    first = open_export(clinic.database, OWNER, text, (), tight, now)
    with pytest.raises(Throttled):
        open_export(clinic.database, OWNER, text, (), tight, now)
    open_export(clinic.database, "system other", text, (), tight, now)
    later = now() + 6 * 60 * 1_000_000
    open_export(clinic.database, OWNER, text, (), tight, lambda: later)
    much_later = later + 6 * 60 * 1_000_000
    open_export(clinic.database, OWNER, text, (), tight, lambda: much_later)
    with pytest.raises(Throttled) as refused:
        open_export(clinic.database, OWNER, text, (), tight, lambda: 2 * much_later - later)
    assert int(refused.value.headers["Retry-After"]) > 0
    drop_export(clinic.database, first.id)
    open_export(clinic.database, OWNER, text, (), tight, lambda: 2 * much_later - later)


def test_the_time_is_after_all_that_is_held_and_before_all_that_is_not(clinic: Store) -> None:
    """Though the clock of this process stands still, or another's ran ahead."""
    text = request().to_text()
    before = put(clinic, patient("c")).updated
    export = open_export(clinic.database, OWNER, text, (), LIMITS, lambda: 0)
    after = put(clinic, patient("c"))
    assert before < export.updated < after.updated
    assert after.seq == export.seq + 1
