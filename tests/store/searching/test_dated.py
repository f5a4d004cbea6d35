"""Are the newest with a code found without going through what others measured since, or through
all that have the code?"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.errors import TooCostly
from service.standard.search_query import parse_search
from service.store.searching import search
from service.store.searching.limits import Limits
from service.store.store import Store
from tests.factories.clinical import observation

BASE = "http://clinic.example/fhir"
START = datetime(2026, 1, 1, tzinfo=UTC)
EACH = 120
TIGHT = Limits(few=5, many=10, chunk=20, examined=40, collected=50)
"""Neither may the dates be walked from one code to the other, nor all of a code be collected."""


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def measured(request: pytest.FixtureRequest, module_store: Any) -> Store:
    """Many of one code, and many of another after them."""
    store: Store = module_store(request.param)
    with store.write(ANONYMOUS) as unit:
        for number in range(2 * EACH):
            code = "late" if number >= EACH else "early"
            when = (START + timedelta(hours=2 * number)).isoformat()
            made = observation(f"{code}-{number}", code=code, when=when)
            if number % EACH == EACH - 1:
                del made["effectiveDateTime"]
            unit.append(made, made["id"], BASE, method="PUT", current=None)
    return store


def found(store: Store, *pairs: tuple[str, str], limits: Limits = TIGHT) -> list[str]:
    query = parse_search("Observation", pairs, strict=True, base=BASE + "/")
    with store.reader() as connection:
        page = search(connection, ANONYMOUS, query, count=3, secret=b"s", limits=limits)
    return [stored.id for stored in page.matches]


def test_from_either_end(measured: Store) -> None:
    sort = ("_sort", "-date")
    assert found(measured, ("code", "early"), sort) == ["early-118", "early-117", "early-116"]
    assert found(measured, ("code", "late"), sort) == ["late-238", "late-237", "late-236"]
    sort = ("_sort", "date")
    assert found(measured, ("code", "late"), sort) == ["late-120", "late-121", "late-122"]
    both = found(measured, ("code", "early,late"), sort)
    assert both == ["early-0", "early-1", "early-2"]


def test_with_other_conditions(measured: Store) -> None:
    code, sort = ("code", "early"), ("_sort", "-date")
    assert found(measured, code, ("status", "final"), sort)[0] == "early-118"
    until = ("date", "lt2026-01-06")
    assert found(measured, code, until, sort) == ["early-59", "early-58", "early-57"]
    since = ("date", "ge2026-01-08")
    assert found(measured, code, since, ("_sort", "date"))[0] == "early-84"


def test_those_without_a_date_come_last(measured: Store) -> None:
    code = ("code", "early")
    for sort in ("date", "-date"):
        pairs, ids = [code, ("_sort", sort)], []
        cursor: list[tuple[str, str]] = []
        while True:
            query = parse_search("Observation", [*pairs, *cursor], base=BASE + "/")
            with measured.reader() as connection:
                page = search(connection, ANONYMOUS, query, count=50, secret=b"s", limits=TIGHT)
            ids += [stored.id for stored in page.matches]
            if page.next is None:
                break
            cursor = [("_cursor", page.next)]
        assert len(ids) == len(set(ids)) == EACH
        assert ids[-1] == "early-119"


def test_the_bounds_hold_where_there_is_no_such_index(measured: Store) -> None:
    """A control: by category the dates have to be walked."""
    with pytest.raises(TooCostly):
        found(measured, ("category:not", "therapy"), ("_sort", "-date"))
