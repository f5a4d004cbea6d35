"""Does the export of a few clients cost what is theirs, however much else there is?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.handover.bulk.parts import parts_of
from service.store.connection import Connection
from service.store.export_conditions import own_clients
from service.store.export_walk import LAST, TRUE, Window, about_page, record_page
from service.store.store import Store
from tests.factories.clinical import observation, patient
from tests.handover.bulk.taking import opened, request, take
from tests.store.keeping import put
from tests.store.searching.test_plans import explained, scans

WINDOW = Window(LAST, -LAST, LAST, False)
ONE = Caller("one", frozenset({"system/*.rs"}), tied=frozenset({"Organization/one"}))


def _provenance(key: str, target: str) -> dict[str, Any]:
    return {
        "resourceType": "Provenance",
        "id": key,
        "target": [{"reference": target}],
        "recorded": "2026-05-04T09:00:00Z",
        "agent": [{"who": {"display": "the clinic system"}}],
    }


def _client(store: Store, key: str, organization: str = "other") -> None:
    """A client with a measure, and what is told of both."""
    managing = {"managingOrganization": {"reference": f"Organization/{organization}"}}
    put(store, patient(key) | managing)
    put(store, observation(f"of-{key}", f"Patient/{key}"))
    put(store, _provenance(f"of-{key}", f"Observation/of-{key}"))
    put(store, _provenance(f"on-{key}", f"Patient/{key}"))


def _record(connection: Connection, key: str, caller: Caller) -> list[Any]:
    return record_page(connection, (caller,), key, "Provenance", WINDOW, TRUE, None)[0]


def _about(connection: Connection, key: str, caller: Caller) -> list[Any]:
    return about_page(connection, (caller,), key, WINDOW, TRUE, None)[0]


class Watching:
    """A connection that notes what it is asked."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.asked: list[tuple[str, Any]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def rows(self, sql: str, params: Any = ()) -> Any:
        self.asked.append((sql, params))
        return self._connection.rows(sql, params)


@pytest.mark.parametrize("walk", [_record, _about])
@pytest.mark.parametrize("caller", [ANONYMOUS, ONE], ids=["all", "tied"])
def test_no_statement_of_a_walk_scans_or_sorts(
    store: Store, walk: Callable[..., list[Any]], caller: Caller
) -> None:
    _client(store, "a", "one")
    export = opened(store, request("group", ("Provenance",), members=True), ["a"])
    with store.reader() as connection:
        watching: Any = Watching(connection)
        assert len(walk(watching, export.id, caller)) == (2 if walk is _about else 1)
        for sql, params in watching.asked:
            plan = explained(connection, sql, params)
            assert not scans(connection.dialect, plan), (sql, plan)
            assert not any("TEMP B-TREE" in line for line in plan), (sql, plan)


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("walk", [_record, _about])
def test_other_clients_cost_nothing(store: Store, walk: Callable[..., list[Any]]) -> None:
    _client(store, "a")
    export = opened(store, request("group", ("Provenance",), members=True), ["a"])

    def steps() -> int:
        counted = 0

        def count() -> int:
            nonlocal counted
            counted += 1
            return 0

        with store.reader() as connection:
            connection.raw.set_progress_handler(count, 1)
            walk(connection, export.id, ANONYMOUS)
            connection.raw.set_progress_handler(None, 0)
        return counted

    alone = steps()
    for number in range(40):
        _client(store, f"b{number}")
    assert steps() < 1.2 * alone


def test_whose_clients_the_callers_are(store: Store) -> None:
    _client(store, "a", "one")
    _client(store, "b")
    with store.reader() as connection:
        assert own_clients(connection, ONE) == {"a"}
        assert own_clients(connection, ANONYMOUS) is None
        both = Caller("two", ONE.scopes, tied=ONE.tied, clients=frozenset({"b"}))
        assert own_clients(connection, both) == {"a", "b"}
        assert own_clients(connection, Caller("no", ONE.scopes, clients=frozenset())) == set()


def test_records_by_member_are_what_the_walk_over_whole_types_meets(store: Store) -> None:
    for key, organization in (("a", "one"), ("b", "other"), ("c", "one")):
        _client(store, key, organization)
    put(store, observation("both", "Patient/a", performer=[{"reference": "Patient/c"}]))
    put(store, _provenance("both", "Observation/both"))
    whole = request("patient", by=ONE)
    by_member = request("patient", by=ONE, members=True)
    kinds = {"Patient", "Observation", "Provenance"}
    walked = {part.type for part in parts_of(by_member) if part.walk == "settled"}
    assert not kinds & walked, "no type of records is gone through as a whole"
    found = take(store, by_member, ["a", "c"], caller=ONE).names
    assert found == take(store, whole, caller=ONE).names
    assert {"Provenance/on-a", "Provenance/of-c", "Provenance/both", "Observation/both"} <= found
    assert not any(name.endswith("b") for name in found)
