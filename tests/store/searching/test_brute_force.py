"""Do searches find exactly what a plain reading of R4 search finds, on both engines?

The oracle is `naive_search.py`: every resource looked at, one by one. Seeded, so it repeats.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.standard.search_query import SearchQuery, parse_search
from service.standard.terminology.for_search import Expander
from service.store.connection import Connection
from service.store.searching import Found, search
from service.store.searching.limits import DEFAULT, Limits
from service.store.store import Store
from service.terminology.stored import StoredLibrary
from tests.store.searching.asked import SETS, Asker
from tests.store.searching.invented_clinic import TREE, Maker
from tests.store.searching.invented_terms import terms
from tests.store.searching.naive_search import PATHS, Naive, each, sort_value

BASE = "http://clinic.example/fhir"
NOW = datetime(2024, 6, 1, tzinfo=UTC)
NOW_US = int(NOW.timestamp()) * 1_000_000
SECRET = b"secret"

NARROW = Limits(few=3, many=6, chunk=4, examined=100_000, collected=100_000)
"""So small that the ways for large stores are taken."""

SPREAD = Limits(few=-1, many=-1, chunk=50, examined=100_000, collected=150)
"""Nothing is collected as a whole, but for resources with the same value."""


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def clinic(request: pytest.FixtureRequest, module_store: Any) -> tuple[Store, Naive]:
    store: Store = module_store(request.param)
    resources = Maker(7).clinic()
    with store.write(ANONYMOUS) as unit:
        for resource in [*terms(), *resources]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    # Deleted ones are found by nothing.
    gone = resources.pop(200)
    with store.write(ANONYMOUS) as unit:
        current = unit.current(gone["resourceType"], gone["id"])
        assert current is not None
        unit.delete(current)
    return store, Naive(resources, NOW, BASE + "/")


def pages(
    store: Store,
    type_: str,
    pairs: list[tuple[str, str]],
    count: int,
    limits: Limits,
    caller: Caller = ANONYMOUS,
) -> Iterator[Found]:
    """All pages of a search, following `next`."""
    cursor: list[tuple[str, str]] = []
    while True:
        with store.reader() as connection:
            query = ask(type_, pairs + cursor, connection)
            found = search(connection, caller, query, count=count, secret=SECRET, limits=limits)
        yield found
        if found.next is None:
            return
        cursor = [("_cursor", found.next)]


def ask(type_: str, pairs: list[tuple[str, str]], connection: Connection) -> SearchQuery:
    expander = Expander(StoredLibrary(connection, ANONYMOUS))
    return parse_search(type_, pairs, strict=True, base=BASE + "/", now=NOW_US, expander=expander)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("limits", [DEFAULT, NARROW], ids=["default", "narrow"])
def test_finds_what_the_plain_reading_finds(
    clinic: tuple[Store, Naive], seed: int, limits: Limits
) -> None:
    store, naive = clinic
    asker = Asker(seed, naive)
    some = 0
    for _ in range(60):
        type_, pairs = asker.search()
        expected = [r["id"] for r in naive.search(type_, pairs)]
        found = [s.id for page in pages(store, type_, pairs, 7, limits) for s in page.matches]
        assert sorted(found) == sorted(expected), (type_, pairs)
        some += bool(expected)
    assert some > 20, "searches that find nothing show nothing"


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("limits", [DEFAULT, NARROW, SPREAD], ids=["default", "narrow", "spread"])
def test_sorts_as_the_plain_reading_sorts(
    clinic: tuple[Store, Naive], seed: int, limits: Limits
) -> None:
    store, naive = clinic
    asker = Asker(100 + seed, naive)
    for _ in range(40):
        type_ = asker.dice.choice(["Observation", "Patient", "Goal", "CarePlan", "Encounter"])
        pairs = asker.pairs(type_, asker.dice.choice([0, 1]))
        codes = asker.dice.sample([*PATHS[type_], "_id"], asker.dice.choice([1, 1, 2]))
        signs = [asker.dice.choice(["", "-"]) for _ in codes]
        asked = ",".join(sign + code for sign, code in zip(signs, codes, strict=True))
        sort = ("_sort", asked)
        expected = naive.search(type_, pairs)
        found = [s for page in pages(store, type_, [*pairs, sort], 7, limits) for s in page.matches]
        by_id = {r["id"]: r for r in expected}
        assert sorted(by_id) == sorted(s.id for s in found), (type_, pairs, sort)
        keys = [
            [sort_value(type_, c, s == "-", by_id[f.id]) for s, c in zip(signs, codes, strict=True)]
            for f in found
        ]
        for one, other in itertools.pairwise(keys):
            assert in_order(one, other, signs), (type_, pairs, sort, one, other)


def in_order(one: list[Any], other: list[Any], signs: list[str]) -> bool:
    """No later key is before an earlier one; those without a value come last."""
    for a, b, sign in zip(one, other, signs, strict=True):
        if a == b:
            continue
        if a is None or b is None:
            return b is None
        return bool(a > b) if sign else bool(a < b)
    return True


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("limits", [DEFAULT, NARROW], ids=["default", "narrow"])
def test_two_ends_of_a_date_and_its_order(
    clinic: tuple[Store, Naive], seed: int, limits: Limits
) -> None:
    store, naive = clinic
    asker = Asker(400 + seed, naive)
    places = [("Observation", "date"), ("CarePlan", "date"), ("Goal", "target-date")]
    for _ in range(60):
        type_, code = asker.dice.choice([*places, ("Encounter", "date"), ("Patient", "birthdate")])
        pairs = [(code, asker.values(type_, code)) for _ in range(asker.dice.choice([1, 2, 2, 3]))]
        sign = asker.dice.choice(["", "-"])
        asked = [*pairs, ("_sort", sign + code)]
        expected = {r["id"]: r for r in naive.search(type_, pairs)}
        found = [s.id for page in pages(store, type_, asked, 7, limits) for s in page.matches]
        assert sorted(found) == sorted(expected), (type_, asked)
        keys = [sort_value(type_, code, sign == "-", expected[id_]) for id_ in found]
        assert keys == sorted(keys, reverse=sign == "-"), (type_, asked)


def test_pages_read_backwards_are_the_pages_read_forwards(clinic: tuple[Store, Naive]) -> None:
    store, _ = clinic
    for pairs in (
        [],
        [("_sort", "-date")],
        [("_sort", "value-quantity,-_id")],
        [("date", "ge2024-03")],
        [("status", "final"), ("_sort", "date")],
        [("code", "lips"), ("_sort", "-date")],
        [("code:below", f"{TREE}|mouth"), ("status:not", "final"), ("_sort", "date")],
    ):
        for limits in (DEFAULT, NARROW):
            forwards = list(pages(store, "Observation", pairs, 9, limits))
            page, back = forwards[-1], [forwards[-1]]
            while page.previous is not None:
                with store.reader() as connection:
                    query = ask("Observation", [*pairs, ("_cursor", page.previous)], connection)
                    page = search(
                        connection, ANONYMOUS, query, count=9, secret=SECRET, limits=limits
                    )
                back.append(page)
            assert [p.matches for p in back[::-1]] == [p.matches for p in forwards], pairs


@pytest.mark.parametrize("seed", range(2))
def test_totals_are_the_number_of_matches(clinic: tuple[Store, Naive], seed: int) -> None:
    store, naive = clinic
    asker = Asker(200 + seed, naive)
    for limits in (DEFAULT, NARROW):
        for _ in range(25):
            type_, pairs = asker.search()
            with store.reader() as connection:
                query = ask(type_, [*pairs, ("_summary", "count")], connection)
                found = search(connection, ANONYMOUS, query, count=5, secret=SECRET, limits=limits)
            assert found.total == len(naive.search(type_, pairs)), (type_, pairs)
            assert found.matches == ()


CLIENTS = frozenset({"p3", "p4", "p5", "p6", "p7"})
_OWNERS = ("subject", "performer", "author", "source")


_OF_NOBODY = ("Organization", "Practitioner", "Questionnaire")
"""Types of the clinic that lie in no client's compartment."""


def owners(resource: dict[str, Any]) -> set[str]:
    """The clients in whose compartment it lies.

    http://hl7.org/fhir/R4/compartmentdefinition-patient.html, for what the clinic holds.
    """
    if resource["resourceType"] == "Patient":
        return {resource["id"]}
    references = [ref for name in _OWNERS for ref in each(resource.get(name))]
    names = [reference.get("reference", "") for reference in references]
    return {name.partition("/")[2] for name in names if name.startswith("Patient/")}


def shown(resource: dict[str, Any], whole: Naive) -> bool:
    """Whether it is of one of the clients; or of nobody, and leads to nothing of another client.

    What is about clients by its kind, but names none, must lead to something of one of them.
    """
    own = owners(resource)
    if own:
        return bool(own & CLIENTS)
    leads = [
        owners(target)
        for _, path in PATHS[resource["resourceType"]].values()
        for ref in path(resource)
        if isinstance(ref, dict) and "reference" in ref
        for target in whole.targets(ref)
    ]
    if any(found - CLIENTS for found in leads):
        return False
    return resource["resourceType"] in _OF_NOBODY or any(leads)


@pytest.mark.parametrize("limits", [DEFAULT, NARROW], ids=["default", "narrow"])
def test_who_sees_some_clients_finds_only_theirs_anywhere(
    clinic: tuple[Store, Naive], limits: Limits
) -> None:
    store, whole = clinic
    theirs = Naive((r for r in whole.all if shown(r, whole)), NOW, BASE + "/")
    asker = Asker(300, whole)
    caller = Caller("mother", ANONYMOUS.scopes, clients=CLIENTS)
    some = 0
    for _ in range(120):
        type_, pairs = asker.search()
        expected = [r["id"] for r in theirs.search(type_, pairs)]
        found = [
            s.id for page in pages(store, type_, pairs, 7, limits, caller) for s in page.matches
        ]
        assert sorted(found) == sorted(expected), (type_, pairs)
        some += bool(expected)
    assert some > 20


@pytest.mark.parametrize("limits", [DEFAULT, NARROW], ids=["default", "narrow"])
def test_value_sets_and_hierarchies(clinic: tuple[Store, Naive], limits: Limits) -> None:
    store, naive = clinic
    asker = Asker(500, naive)
    places = [
        ("Observation", "code"),
        ("Observation", "combo-code"),
        ("Observation", "status"),
        ("CarePlan", "category"),
        ("Procedure", "code"),
    ]
    some = 0
    for _ in range(80):
        type_, code = asker.dice.choice(places)
        modifier = asker.dice.choice(SETS)
        pairs = [(f"{code}:{modifier}", asker.of_sets(modifier))]
        pairs += asker.pairs(type_, asker.dice.choice([0, 0, 1]))
        expected = [r["id"] for r in naive.search(type_, pairs)]
        found = [s.id for page in pages(store, type_, pairs, 7, limits) for s in page.matches]
        assert sorted(found) == sorted(expected), (type_, pairs)
        some += bool(expected)
    assert some > 30


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("limits", [DEFAULT, NARROW, SPREAD], ids=["default", "narrow", "spread"])
def test_codes_in_the_order_of_their_dates(
    clinic: tuple[Store, Naive], seed: int, limits: Limits
) -> None:
    store, naive = clinic
    asker = Asker(600 + seed, naive)
    some = 0
    for _ in range(60):
        type_ = asker.dice.choice(["Observation", "Observation", "Procedure"])
        modifier = asker.dice.choice(["", "", *SETS])
        value = asker.of_sets(modifier) if modifier else asker.values(type_, "code")
        pairs = [(f"code:{modifier}" if modifier else "code", value)]
        pairs += [
            ("date", asker.values(type_, "date")) for _ in range(asker.dice.choice([0, 1, 2]))
        ]
        pairs += asker.pairs(type_, asker.dice.choice([0, 0, 1]))
        sign = asker.dice.choice(["", "-"])
        codes, signs = ["date"], [sign]
        if asker.dice.random() < 0.4:
            codes.append(asker.dice.choice(["_id", "code", "subject"]))
            signs.append(asker.dice.choice(["", "-"]))
        sort = ",".join(sign + code for sign, code in zip(signs, codes, strict=True))
        asked = [*pairs, ("_sort", sort)]
        expected = {r["id"]: r for r in naive.search(type_, pairs)}
        found = [s.id for page in pages(store, type_, asked, 7, limits) for s in page.matches]
        assert sorted(found) == sorted(expected), (type_, asked)
        keys = [
            [
                sort_value(type_, c, s == "-", expected[id_])
                for s, c in zip(signs, codes, strict=True)
            ]
            for id_ in found
        ]
        for one, other in itertools.pairwise(keys):
            assert in_order(one, other, signs), (type_, asked, one, other)
        some += len(found) > 1
    assert some > 15
