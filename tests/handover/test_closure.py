"""What is reached from where: by hand, and against a walk over the parsed resources."""

from __future__ import annotations

from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.handover.closure import closure, reached_from
from service.standard.codec import encode
from service.standard.mentions import referred
from service.store.belonging import belonging
from service.store.store import Store
from tests.factories.care import case, neighbour

BASE = "https://clinic.example/fhir"
_ALL = frozenset({"system/*.cruds"})


@pytest.fixture
def filled(store: Store) -> Store:
    with store.write(ANONYMOUS) as unit:
        for resource in [*case("p"), *neighbour("p")]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    return store


def names(found: Any) -> list[str]:
    return [stored.reference for stored in found]


def test_closure_is_what_a_walk_finds(filled: Store) -> None:
    known = {f"{r['resourceType']}/{r['id']}": r for r in [*case("p"), *neighbour("p")]}
    left = {"Patient/c-p-other", "Condition/p-other-secret", "Group/p-group", "Task/p-task"}
    wanted, reached = ["Observation/p-swallow-delay-92", "CarePlan/p"], set()
    while wanted:
        name = wanted.pop()
        if name in known and name not in reached and name not in left:
            reached.add(name)
            wanted += [f"{k}/{i}" for k, i in referred(encode(known[name]), BASE)]
    roots = [("Observation", "p-swallow-delay-92"), ("CarePlan", "p")]
    with filled.reader(snapshot=True) as connection:
        found = closure(connection, ANONYMOUS, roots, "c-p", BASE)
    assert names(found.found)[:2] == ["Observation/p-swallow-delay-92", "CarePlan/p"]
    assert set(names(found.found)) == reached
    assert found.left_out == {("Group", "p-group"), ("Task", "p-task"), ("Practitioner", "p-gone")}


@pytest.mark.parametrize(
    ("name", "belongs"),
    [
        (("Patient", "c-p"), True),
        (("CarePlan", "p"), True),
        (("Practitioner", "p-therapist"), True),
        (("Organization", "p-house"), True),
        (("Patient", "c-p-other"), False),
        (("CarePlan", "p-other"), False),
        (("Condition", "p-other-secret"), False),
        (("Observation", "p-swallow-delay-91"), False),
        (("Group", "p-group"), False),
        (("Task", "p-task"), False),
        (("Practitioner", "nobody"), False),
    ],
)
def test_belonging(filled: Store, name: tuple[str, str], belongs: bool) -> None:
    with filled.reader() as connection:
        assert bool(belonging(connection, ANONYMOUS, [name], "c-p")) is belongs


def test_without_a_client_only_what_is_nobodys(filled: Store) -> None:
    asked = [("Patient", "c-p"), ("CarePlan", "p"), ("Organization", "p-house"), ("Task", "p-task")]
    with filled.reader() as connection:
        assert set(belonging(connection, ANONYMOUS, asked, None)) == {("Organization", "p-house")}


def test_narrowing_of_the_caller_holds(filled: Store) -> None:
    stranger = Caller("s", _ALL, clients=frozenset({"c-p-other"}))
    own = Caller("o", _ALL, clients=frozenset({"c-p"}))
    with filled.reader() as connection:
        assert not closure(connection, stranger, [("CarePlan", "p")], "c-p", BASE).found
        mine = closure(connection, own, [("CarePlan", "p")], "c-p", BASE).found
        everybody = closure(connection, ANONYMOUS, [("CarePlan", "p")], "c-p", BASE).found
    assert names(mine) == names(everybody)


def test_deleted_is_left_out(filled: Store) -> None:
    with filled.write(ANONYMOUS) as unit:
        current = unit.current("Goal", "p-goal-1")
        assert current is not None
        unit.delete(current)
    with filled.reader() as connection:
        found = closure(connection, ANONYMOUS, [("CarePlan", "p")], "c-p", BASE)
    assert ("Goal", "p-goal-1") in found.left_out


def test_order_follows_the_mentions(filled: Store) -> None:
    with filled.reader() as connection:
        found = closure(connection, ANONYMOUS, [("CarePlan", "p")], "c-p", BASE).found
    again = reached_from(found[0], reversed(found), BASE)
    assert names(again) == names(found[1:])
