"""What happens where no index keeps a search small?"""

from __future__ import annotations

from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.errors import TooCostly
from service.standard.search_query import parse_search
from service.store.searching import Found, find, search
from service.store.searching.limits import DEFAULT, Limits
from service.store.store import Store

BASE = "http://clinic.example/fhir"
TIGHT = Limits(few=2, many=4, chunk=4, examined=12, collected=8, counted=16)


def measure(number: int) -> dict[str, Any]:
    """Every eleventh is preliminary, the last three have no date."""
    dated = {"effectiveDateTime": f"2026-03-{number + 1:02}"} if number < 27 else {}
    return {
        "resourceType": "Observation",
        "id": f"m{number}",
        "status": "preliminary" if number % 11 == 10 else "final",
        "code": {"coding": [{"code": "x" if number % 2 else "y"}]},
    } | dated


@pytest.fixture
def filled(store: Store) -> Store:
    with store.write(ANONYMOUS) as unit:
        for number in range(30):
            resource = measure(number)
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    return store


def page(store: Store, *pairs: tuple[str, str], count: int = 3, limits: Limits = TIGHT) -> Found:
    query = parse_search("Observation", pairs, strict=True, base=BASE + "/")
    with store.reader() as connection:
        return search(connection, ANONYMOUS, query, count=count, secret=b"s", limits=limits)


def test_a_search_that_examines_too_much_for_nothing_is_refused(filled: Store) -> None:
    for asked in (
        ("status:not", "final,preliminary"),
        ("code:missing", "true"),
        ("value-string:missing", "false"),
    ):
        with pytest.raises(TooCostly):
            page(filled, asked)


def test_one_that_finds_something_on_the_way_gives_a_short_page_and_goes_on(filled: Store) -> None:
    asked = ("status:not", "final")
    seen: list[list[str]] = []
    answer = page(filled, asked)
    while True:
        seen.append([stored.id for stored in answer.matches])
        if answer.next is None:
            break
        answer = page(filled, asked, ("_cursor", answer.next))
    assert [id_ for ids in seen for id_ in ids] == ["m10", "m21"]
    assert len(seen[0]) == 1, "a short page"


def test_paging_is_never_refused_in_the_middle(filled: Store) -> None:
    asked = (("_sort", "date"), ("status", "final"))
    found: list[str] = []
    answer = page(filled, *asked)
    while True:
        found += [stored.id for stored in answer.matches]
        if answer.next is None:
            break
        answer = page(filled, *asked, ("_cursor", answer.next))
    assert found == [f"m{n}" for n in range(30) if n % 11 != 10]


def test_counting_too_much_is_refused_and_estimated(filled: Store) -> None:
    asked = (("status", "final"), ("code", "x"))
    with pytest.raises(TooCostly):
        page(filled, *asked, ("_total", "accurate"))
    assert page(filled, ("status", "final"), ("_total", "accurate")).total == 28
    estimated = page(filled, *asked, ("_total", "estimate")).total
    assert estimated is not None
    assert 5 <= estimated <= 25


def test_a_condition_is_refused_where_it_cannot_be_told_how_many_meet_it(filled: Store) -> None:
    with filled.reader() as connection:
        one = parse_search("Observation", [("status", "preliminary"), ("code", "y")])
        assert [stored.id for stored in find(connection, ANONYMOUS, one)] == ["m10"]
        vague = parse_search("Observation", [("status:not", "final")])
        with pytest.raises(TooCostly):
            find(connection, ANONYMOUS, vague, limits=TIGHT)


def test_a_statement_too_complex_for_the_engine_is_refused(
    filled: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.standard.searching.criteria.DEEPEST", 1000)
    chain = ".".join(["part-of:Procedure"] * 60) + ".code"
    query = parse_search("Procedure", [(chain, "x")], strict=True)
    with filled.reader() as connection:
        if connection.dialect == "sqlite":
            with pytest.raises(TooCostly):
                search(connection, ANONYMOUS, query, count=3, secret=b"s")
        else:
            assert search(connection, ANONYMOUS, query, count=3, secret=b"s").matches == ()


def test_very_many_values_are_looked_up_together(filled: Store) -> None:
    codes = ",".join(["x", *(f"c{number}" for number in range(900))])
    assert page(filled, ("code", codes), ("_summary", "count"), limits=DEFAULT).total == 15
    ids = ",".join(f"m{number}" for number in range(900))
    assert page(filled, ("_id", ids), ("_summary", "count"), limits=DEFAULT).total == 30
    with pytest.raises(TooCostly):
        page(filled, ("date", ",".join(f"{year}" for year in range(1000, 1900))))
