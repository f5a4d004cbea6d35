"""Do value sets of any size stay cheap: few different statements, and only codes that are used?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.standard.search_query import parse_search
from service.standard.terminology.for_search import Expander
from service.standard.terminology.shipped import Shelf
from service.store.searching import search
from service.store.searching.limits import Limits
from service.store.store import Store
from tests.factories.clinical import observation
from tests.store.searching.recorder import Recorder

BASE = "http://clinic.example/fhir"
SYSTEM = "https://hyoid.example/fhir/CodeSystem/measure"
SIZES = [*range(1, 40, 3), *range(41, 300, 7), 1000]
EARLY, LATE = range(20, 28), range(40, 44)
TIGHT = Limits(few=1, many=2, chunk=4, examined=20, collected=5)


def value_set(size: int) -> dict[str, Any]:
    """`c0` and so on; the store has two of them, once also in another system."""
    codes = [{"code": f"c{number}"} for number in range(size)]
    return {
        "resourceType": "ValueSet",
        "url": f"urn:{size}",
        "status": "active",
        "compose": {"include": [{"system": "urn:other", "concept": codes}]},
    }


SHELF = Shelf([value_set(size) for size in SIZES])


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def measured(request: pytest.FixtureRequest, module_store: Any) -> Store:
    store: Store = module_store(request.param)
    with store.write(ANONYMOUS) as unit:
        for number in range(60):
            code = "c0" if number in (*EARLY, 50) else "c1" if number in LATE else "else"
            system = "urn:wrong" if number == 50 else "urn:other"
            made = observation(f"o{number}", when=f"2026-01-01T10:{number:02}:00Z")
            made["code"] = {"coding": [{"system": system, "code": code}]}
            unit.append(made, made["id"], BASE, method="PUT", current=None)
    return store


def asked(
    store: Store, modifier: str, size: int, limits: Limits, *more: tuple[str, str]
) -> tuple[list[str], Sequence[str]]:
    """Ids that are found, and the statements."""
    pairs = [(f"code:{modifier}", f"urn:{size}"), *more]
    query = parse_search("Observation", pairs, strict=True, expander=Expander(SHELF))
    with store.reader() as connection:
        recorder = Recorder(connection)
        page = search(recorder, ANONYMOUS, query, count=70, secret=b"s", limits=limits)
    return [stored.id for stored in page.matches], [sql for sql, _ in recorder.asked]


@pytest.mark.parametrize("size", [4, 41, 1000])
def test_codes_that_nobody_has_cost_no_order(measured: Store, size: int) -> None:
    expected = [f"o{number}" for number in (*EARLY, *LATE)]
    assert asked(measured, "in", size, TIGHT, ("_sort", "date"))[0] == expected
    assert asked(measured, "in", size, TIGHT, ("_sort", "-date"))[0] == expected[::-1]
    assert asked(measured, "in", size, TIGHT)[0] == expected
    assert len(asked(measured, "not-in", size, Limits())[0]) == 48


def test_few_different_statements(measured: Store) -> None:
    for modifier in ("in", "not-in"):
        told: set[str] = set()
        for size in SIZES:
            if modifier == "not-in" or size > 40:
                told.update(asked(measured, modifier, size, Limits())[1])
        assert len(told) < 30, modifier
