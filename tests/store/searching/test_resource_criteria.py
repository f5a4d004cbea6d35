"""Criteria on the resource itself: id, time of change, list, compartment, several types."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.standard.search_query import parse_search
from service.store.searching import search
from service.store.searching.limits import DEFAULT, Limits
from service.store.store import Store

BASE = "http://clinic.example/fhir"
NARROW = Limits(few=-1, many=-1, chunk=2)


def goal(id_: str, patient: str) -> dict[str, Any]:
    return {
        "resourceType": "Goal",
        "id": id_,
        "lifecycleStatus": "active",
        "subject": {"reference": f"Patient/{patient}"},
    }


RECORD: list[dict[str, Any]] = [
    {"resourceType": "Patient", "id": "anna"},
    {"resourceType": "Patient", "id": "bo"},
    goal("g1", "anna"),
    goal("g2", "bo"),
    goal("g3", "anna"),
    {
        "resourceType": "List",
        "id": "mine",
        "subject": {"reference": "Patient/anna"},
        "entry": [{"item": {"reference": name}} for name in ("Goal/g1", "Goal/g2", "Patient/anna")],
    },
    {"resourceType": "List", "id": "empty"},
]


@pytest.fixture
def times(store: Store) -> list[int]:
    """Each resource written by itself; when, in microseconds."""
    found = []
    for resource in RECORD:
        with store.write(ANONYMOUS) as unit:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
            found.append(unit.updated)
    return found


def ids(
    store: Store,
    type_: str | None,
    *pairs: tuple[str, str],
    compartment: str | None = None,
    who: Caller = ANONYMOUS,
) -> list[str]:
    """What is found, the same by every way."""
    query = parse_search(type_, pairs, strict=True, compartment=compartment)
    found = []
    for limits in (DEFAULT, NARROW):
        with store.reader() as connection:
            page = search(connection, who, query, count=50, secret=b"s", limits=limits)
        found.append([stored.id for stored in page.matches])
    assert found[0] == found[1]
    return found[0]


def instant(microseconds: int) -> str:
    seconds, rest = divmod(microseconds, 1_000_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest:06}Z"


@pytest.mark.usefixtures("times")
def test_ids(store: Store) -> None:
    assert ids(store, "Goal", ("_id", "g3,g1,none")) == ["g1", "g3"]
    assert ids(store, "Goal", ("_id:not", "g1,g2")) == ["g3"]
    assert ids(store, "Patient", ("_id", "g1")) == []
    assert ids(store, None, ("_id", "g1,anna")) == ["anna", "g1"]


def test_time_of_change(store: Store, times: list[int]) -> None:
    middle = instant(times[3])
    for prefix, expected in {
        "": ["g2"],
        "ne": ["g1", "g3"],
        "gt": ["g3"],
        "ge": ["g2", "g3"],
        "lt": ["g1"],
        "le": ["g1", "g2"],
        "sa": ["g3"],
        "eb": ["g1"],
    }.items():
        assert ids(store, "Goal", ("_lastUpdated", prefix + middle)) == expected, prefix
    within = (("_lastUpdated", f"ge{middle}"), ("_lastUpdated", f"lt{instant(times[4])}"))
    assert ids(store, "Goal", *within) == ["g2"]
    assert ids(store, None, ("_lastUpdated", f"gt{middle}")) == ["g3", "mine", "empty"]


def test_in_the_order_of_change(store: Store, times: list[int]) -> None:
    since = ("_lastUpdated", f"gt{instant(times[2])}")
    assert ids(store, "Goal", ("_sort", "-_lastUpdated")) == ["g3", "g2", "g1"]
    assert ids(store, "Goal", since, ("_sort", "-_lastUpdated")) == ["g3", "g2"]
    assert ids(store, None, since, ("_sort", "_lastUpdated")) == ["g2", "g3", "mine", "empty"]


@pytest.mark.usefixtures("times")
def test_lists(store: Store) -> None:
    assert ids(store, "Goal", ("_list", "mine")) == ["g1", "g2"]
    assert ids(store, None, ("_list", "mine,empty")) == ["anna", "g1", "g2"]
    assert ids(store, "Goal", ("_list", "empty")) == []
    assert ids(store, "Goal", ("_list", "mine"), ("patient", "bo")) == ["g2"]
    bo = Caller("bo", ANONYMOUS.scopes, clients=frozenset({"bo"}))
    assert ids(store, "Goal", ("_list", "mine"), who=bo) == [], "the list is not bo's"


@pytest.mark.usefixtures("times")
def test_compartments(store: Store) -> None:
    assert ids(store, "Goal", compartment="anna") == ["g1", "g3"]
    assert ids(store, None, compartment="anna") == ["anna", "g1", "g3", "mine"]
    assert ids(store, "Goal", compartment="nobody") == []
    with store.write(ANONYMOUS) as unit:
        current = unit.current("Goal", "g1")
        assert current is not None
        unit.delete(current)
    assert ids(store, None, compartment="anna") == ["anna", "g3", "mine"]


@pytest.mark.usefixtures("times")
def test_several_types(store: Store) -> None:
    both = ("_type", "List,Goal")
    assert ids(store, None, both) == ["g1", "g2", "g3", "mine", "empty"]
    assert ids(store, None, both, ("subject", "Patient/anna")) == ["g1", "g3", "mine"]
    assert ids(store, None, both, ("subject:missing", "true")) == ["empty"]
    assert ids(store, None, both, ("_sort", "-_id")) == ["mine", "g3", "g2", "g1", "empty"]
    assert ids(store, None, ("_id:not", "g1"), ("_type", "Goal")) == ["g2", "g3"]
