"""Whose clients are they, when a caller is tied to organisations, teams and practitioners?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, Gone, NotFound
from service.standard.search_query import parse_search
from service.store.caseload import clients_of_tied, is_lifted
from service.store.current import numbered_version
from service.store.history import HistoryQuery, history, version_count
from service.store.searching import search
from service.store.store import Store, present
from service.store.visibility import visible
from tests.factories.clinical import observation, patient
from tests.store.keeping import BASE, delete, put

Resource = dict[str, Any]


def ref(name: str) -> dict[str, str]:
    return {"reference": name}


def team(key: str, client: str, *members: str, status: str | None = "active") -> Resource:
    found: Resource = {
        "resourceType": "CareTeam",
        "id": key,
        "subject": ref(f"Patient/{client}"),
        "participant": [{"member": ref(name)} for name in members],
    }
    return found | ({"status": status} if status else {})


def tied(*names: str, **more: Any) -> Caller:
    return Caller("someone", ANONYMOUS.scopes, tied=frozenset(names), **more)


@pytest.fixture
def clinic(store: Store) -> Store:
    """Five clients, each with a measure, tied in different ways."""
    put(store, patient("by-org", managingOrganization=ref("Organization/o")))
    put(store, patient("by-gp", generalPractitioner=[ref("Practitioner/x"), ref("Organization/o")]))
    for key in ("by-team", "by-old-team", "of-nobody"):
        put(store, patient(key))
    put(store, team("t", "by-team", "Practitioner/x", "Organization/o"))
    for status in ("proposed", "suspended", "inactive", "entered-in-error", None):
        put(store, team(f"t-{status}", "by-old-team", "Practitioner/x", status=status))
    put(store, team("gone", "of-nobody", "Practitioner/x", "Organization/o"))
    delete(store, "CareTeam", "gone")
    for key in ("by-org", "by-gp", "by-team", "by-old-team", "of-nobody"):
        put(store, observation(f"of-{key}", f"Patient/{key}"))
    return store


def clients(store: Store, caller: Caller) -> set[str]:
    """The clients seen; by search and by reading, and by their measures."""
    with store.reader(snapshot=True) as connection:
        query = parse_search("Patient", [("_count", "50")], strict=True)
        found = {s.id for s in search(connection, caller, query, count=50, secret=b"s").matches}
        query = parse_search("Observation", [("_count", "50")], strict=True)
        measures = search(connection, caller, query, count=50, secret=b"s").matches
    assert {f"of-{key}" for key in found} == {stored.id for stored in measures}
    for key in ("by-org", "by-gp", "by-team", "by-old-team", "of-nobody"):
        if key in found:
            store.read(caller, "Patient", key)
        else:
            with pytest.raises(NotFound):
                store.read(caller, "Patient", key)
    return found


@pytest.mark.parametrize(
    ("names", "seen"),
    [
        (["Organization/o"], {"by-org", "by-gp", "by-team"}),
        (["Practitioner/x"], {"by-gp", "by-team"}),
        (["CareTeam/t"], {"by-team"}),
        (["CareTeam/t-inactive", "CareTeam/t-None", "CareTeam/gone"], set()),
        (["Practitioner/o", "Organization/x", "Patient/by-org"], set()),
        (["CareTeam/t", "Organization/other"], {"by-team"}),
        ([], set()),
    ],
)
def test_clients_of_organisations_practitioners_and_teams(
    clinic: Store, names: list[str], seen: set[str]
) -> None:
    assert clients(clinic, tied(*names)) == seen
    drives = clients_of_tied(tied(*names))
    if drives is not None:
        with clinic.reader() as connection:
            assert {row[0] for row in connection.rows(*drives)} == seen


def test_ties_and_clients_add_up(clinic: Store) -> None:
    both = tied("CareTeam/t", clients=frozenset({"of-nobody"}))
    assert clients(clinic, both) == {"by-team", "of-nobody"}


def test_who_leaves_a_team_sees_the_client_no_more(clinic: Store) -> None:
    put(clinic, team("t", "by-team", "Organization/o"))
    assert clients(clinic, tied("Practitioner/x")) == {"by-gp"}
    delete(clinic, "CareTeam", "t")
    assert clients(clinic, tied("Organization/o")) == {"by-org", "by-gp"}


def test_the_glass_is_broken_by_a_person_with_a_reason_for_reading(clinic: Store) -> None:
    whole = tied("CareTeam/t", kind="person")
    broken = replace(whole, purpose="found on the floor")
    everybody = {"by-org", "by-gp", "by-team", "by-old-team", "of-nobody"}
    assert clients(clinic, whole) == {"by-team"}
    assert clients(clinic, broken) == everybody
    assert clients(clinic, replace(broken, kind="system")) == {"by-team"}
    assert [letter for letter in "cruds" if is_lifted(broken, letter)] == ["r", "s"]
    for key in ("of-of-nobody", "new"):
        with pytest.raises((Forbidden, NotFound)):
            put(clinic, observation(key, "Patient/of-nobody"), broken)
    with clinic.write(broken) as unit:
        assert unit.current("Observation", "of-of-nobody", "d") is None
    # Explicit clients are not a tie, and stay.
    one = Caller("n", ANONYMOUS.scopes, frozenset({"by-org"}), kind="person", purpose="x" * 20)
    assert clients(clinic, one) == {"by-org"}


def post(store: Store, caller: Caller, *resources: Resource) -> None:
    """New resources in one unit of work, under ids that the service gave."""
    with store.write(caller) as unit:
        for resource in resources:
            unit.append(resource, resource["id"], BASE, method="POST", current=None)


def test_a_new_client_must_be_one_of_the_callers(clinic: Store) -> None:
    mine = tied("Practitioner/x")
    post(clinic, mine, patient("n1", generalPractitioner=[ref("Practitioner/x")]))
    for more in ({}, {"generalPractitioner": [ref("Practitioner/y")]}):
        with pytest.raises(Forbidden):
            post(clinic, mine, patient("n2", **more))
    # Client and team come together; the team alone would be of nobody's client.
    post(clinic, mine, patient("n3"), team("t3", "n3", "Practitioner/x"))
    with pytest.raises(Forbidden):
        post(clinic, mine, team("t4", "of-nobody", "Practitioner/x"))
    with pytest.raises(Forbidden):
        put(clinic, patient("by-gp"), mine)
    assert {"n1", "n3"} <= clients_of(clinic, mine)


def clients_of(store: Store, caller: Caller) -> set[str]:
    with store.reader() as connection:
        query = parse_search("Patient", [], strict=True)
        return {s.id for s in search(connection, caller, query, count=50, secret=b"s").matches}


@pytest.mark.parametrize(
    "caller", [tied("CareTeam/t"), Caller("n", ANONYMOUS.scopes, frozenset({"by-team"}))]
)
def test_nothing_is_written_that_names_another_client(clinic: Store, caller: Caller) -> None:
    told = set()
    for other in ("of-nobody", "absent"):
        name = f"Patient/{other}"
        for made in (
            observation("n", name),
            observation("n", "Patient/by-team", performer=[ref(name)]),
            observation("n", "Patient/by-team", focus=[ref(name)]),
            observation("n", "Patient/by-team", note=[{"text": "x", "authorReference": ref(name)}]),
            observation("n", "Patient/by-team", focus=[ref(f"{BASE}/{name}")]),
            observation("n", "Patient/by-team", focus=[ref(f"{name}/_history/1")]),
            observation("n", "Patient/by-team", extension=[
                {"url": "https://clinic.example/x", "valueReference": ref(name)}
            ]),
        ):  # fmt: skip
            with pytest.raises(Forbidden) as refusal:
                post(clinic, caller, made)
            told.add(str(refusal.value))
    assert told == {"The resource names a client who is not yours"}
    post(clinic, caller, observation("n", "Patient/by-team", focus=[ref("Patient/by-team")]))


def test_what_names_no_client_is_not_written_by_who_sees_some(clinic: Store) -> None:
    mine = tied("CareTeam/t")
    loose = {"resourceType": "Observation", "id": "n", "status": "final", "code": {"text": "x"}}
    subscription = {
        "resourceType": "Subscription", "id": "n", "status": "requested", "reason": "x",
        "criteria": "Observation", "channel": {"type": "rest-hook"},
    }  # fmt: skip
    for made in (loose, subscription):
        with pytest.raises(Forbidden):
            post(clinic, mine, made)
    post(clinic, mine, loose | {"derivedFrom": [ref("Observation/of-by-team")]})
    post(clinic, mine, {"resourceType": "Practitioner", "id": "n"})


# Old versions --------------------------------------------------------------------------------


def seen_versions(store: Store, caller: Caller, key: str = "m") -> list[int]:
    """The versions of an Observation that a caller sees, by each way of reading; all agree."""
    with store.reader(snapshot=True) as connection:
        told = [v.vid for v in history(connection, caller, HistoryQuery("Observation", key))]
        of_type = history(connection, caller, HistoryQuery("Observation"))
        of_all = history(connection, caller, HistoryQuery())
        assert version_count(connection, caller, "Observation", key) == len(told)
    assert [v.vid for v in of_type if v.id == key] == told
    assert [v.vid for v in of_all if v.id == key] == told
    for vid in range(1, 7):
        try:
            with store.reader() as connection:
                found = numbered_version(connection, caller, "Observation", key, vid)
            present(found, key)
        except NotFound:
            assert vid not in told
        except Gone:
            assert vid in told
        else:
            assert vid in told
    return sorted(told)


def a_and_b(make: Callable[[str], Caller]) -> tuple[Caller, Caller]:
    return make("a"), make("b")


def by_client(key: str) -> Caller:
    return Caller(key, ANONYMOUS.scopes, frozenset({key}))


def by_organization(key: str) -> Caller:
    return tied(f"Organization/{key}")


@pytest.mark.parametrize("make", [by_client, by_organization])
def test_versions_stay_with_whom_they_were_about(
    store: Store, make: Callable[[str], Caller]
) -> None:
    a, b = a_and_b(make)
    for key in "ab":
        put(store, patient(key, managingOrganization=ref(f"Organization/{key}")))
    for client in ("a", "a", "b", "b"):
        put(store, observation("m", f"Patient/{client}"))
    assert seen_versions(store, ANONYMOUS) == [1, 2, 3, 4]
    assert seen_versions(store, a) == []
    assert seen_versions(store, b) == [3, 4]
    put(store, observation("m", "Patient/a"))
    assert seen_versions(store, a) == [1, 2, 5]
    assert seen_versions(store, b) == []
    delete(store, "Observation", "m")
    assert seen_versions(store, a) == [1, 2, 5, 6]
    assert seen_versions(store, b) == []
    put(store, observation("m", "Patient/b"))
    assert seen_versions(store, b) == [3, 4] or seen_versions(store, b) == [3, 4, 7]
    assert seen_versions(store, a) == []


def test_a_version_of_two_clients_is_seen_by_both(store: Store) -> None:
    a, b = a_and_b(by_client)
    both = observation("m", "Patient/a", performer=[ref("Patient/b")])
    for made in (both, observation("m", "Patient/b"), both):
        put(store, made)
    assert seen_versions(store, a) == [1, 3]
    assert seen_versions(store, b) == [1, 2, 3]


def test_moves_within_one_unit_of_work_are_kept_apart(store: Store) -> None:
    a, b = a_and_b(by_client)
    with store.write(ANONYMOUS) as unit:
        for client in "aab":
            made = observation("m", f"Patient/{client}")
            current = unit.current("Observation", "m")
            unit.append(made, "m", BASE, method="PUT", current=current)
    assert seen_versions(store, b) == [3]
    assert seen_versions(store, a) == []


# Ways ----------------------------------------------------------------------------------------


_LOOK_UPS = (
    "(rowid=?)",
    "(rid=?)",
    "(rid=? AND param=?)",
    "(type=? AND id=?)",
    "(param=? AND code=? AND rid=?)",
    "(param=? AND target_id=? AND target_type=?)",
    "(param=? AND value=?)",
    "CONSTANT ROWS",
)
"""Steps that cost the same however large the store is: by identity, or by one resource's rows."""


def test_no_condition_reads_a_whole_table(store: Store) -> None:
    """SQLite tells its plan; on PostgreSQL every select within is fenced."""
    caller = Caller(
        "c",
        frozenset({"system/Observation.rs?category=therapy", "system/Patient.rs"}),
        frozenset({"a"}),
        frozenset({"Organization/o", "CareTeam/t"}),
    )
    for types in (None, ("Observation",), ("Patient", "Binary", "Practitioner")):
        condition = visible(caller, "r.rid", "s", types)
        assert condition is not None
        assert condition[0].count("EXISTS (") == condition[0].count(" LIMIT 1 OFFSET 0)")
        with store.reader() as connection:
            if connection.dialect == "postgresql":
                return
            plan = connection.rows(
                f"EXPLAIN QUERY PLAN SELECT 1 FROM resource r WHERE r.rid = 1 AND {condition[0]}",
                condition[1],
            )
        searched = [row[3] for row in plan if "SUBQUERY" not in row[3]]
        assert all(step.endswith(_LOOK_UPS) for step in searched), searched


def test_an_id_that_follows_from_the_content_takes_no_one_elses_place(clinic: Store) -> None:
    mine = tied("CareTeam/t")
    made = observation("of-of-nobody", "Patient/by-team")
    for method in ("POST", "PUT"):
        with clinic.write(mine) as unit, pytest.raises(Forbidden):
            unit.append(made, made["id"], BASE, method=method, current=None, derived=True)
    with clinic.write(mine) as unit:
        made = observation("follows", "Patient/by-team")
        unit.append(made, made["id"], BASE, method="PUT", current=None, derived=True)


def test_who_is_tied_cannot_make_a_client_his_own(clinic: Store) -> None:
    """Whatever would tie it to him: he must have the client before he may name it."""
    mine = tied("Practitioner/x")
    before = clients_of(clinic, mine)
    for made in (
        team("joining", "of-nobody", "Practitioner/x"),
        team("t", "of-nobody", "Practitioner/x"),
        patient("of-nobody", generalPractitioner=[ref("Practitioner/x")]),
    ):
        with pytest.raises((Forbidden, NotFound)):
            put(clinic, made, mine)
        with pytest.raises(Forbidden):
            post(
                clinic,
                mine,
                made | {"id": f"new-{made['id']}"},
                observation("n", "Patient/of-nobody"),
            )
    with pytest.raises(Forbidden):
        post(clinic, mine, team("first", "later", "Practitioner/x"), patient("other"))
    assert clients_of(clinic, mine) == before
