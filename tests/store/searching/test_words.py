"""Do `_text` and `_content` find what a plain reading of every word finds, on both engines?"""

from __future__ import annotations

import itertools
import random
from datetime import UTC, datetime
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.standard.search_query import parse_search
from service.store.reindex import reindexed
from service.store.searching import search
from service.store.searching.limits import DEFAULT, Limits
from service.store.store import Store
from tests.store.searching.invented_clinic import CITIES, FAMILIES, GIVENS, WORDS, Maker
from tests.store.searching.naive_search import Naive
from tests.store.searching.naive_words import finds
from tests.store.searching.test_brute_force import BASE, NARROW, NOW, pages, shown
from tests.store.searching.test_brute_force import CLIENTS as OWN

XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'
NARRATIVES = [
    "<p>Lip strength</p><p>left side</p>",
    "sí<b>la</b> jazyka, 12.5 kPa",
    "<ul><li>STRENGTH</li><li>of the lip</li></ul>",
    "Anna says: &quot;on-site&quot; &amp; O&#8217;Brien",
    "<table><tr><td>Straße</td><td>ﬁne</td></tr></table>",
]
ASKED = [
    *WORDS,
    *FAMILIES,
    *GIVENS,
    *CITIES,
    *NARRATIVES[1:2],
    "strength",
    "LIP strength",
    '"lip strength"',
    '"strength left"',
    '"strength of the lip"',
    "stren*",
    '"strength left" sila',
    "old street",
    "12",
    '"12 5"',
    "kpa",
    "strasse",
    "fine",
    "anna-jean-luc*",
    "jean-luc*",
    "lip,strasse",
    '"medical record",novak*',
    "left side right",
    "nothing",
    "xsila",
]


class Told(Naive):
    """The plain reading that knows the two parameters."""

    def meets(self, resource: dict[str, Any], name: str, value: str) -> bool:
        return (
            finds(resource, name, value)
            if name in ("_text", "_content")
            else super().meets(resource, name, value)
        )


def _clinic(seed: int) -> list[dict[str, Any]]:
    dice = random.Random(seed)
    made = Maker(seed).clinic()
    for resource in made:
        if dice.random() < 0.5:
            div = f"<div {XHTML}>{dice.choice(NARRATIVES)}</div>"
            resource["text"] = {"status": "generated", "div": div}
    return made


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def clinic(request: pytest.FixtureRequest, module_store: Any) -> tuple[Store, Told]:
    store: Store = module_store(request.param)
    resources = _clinic(7)
    with store.write(ANONYMOUS) as unit:
        for resource in resources:
            # Everything is written twice, so that earlier words have to go.
            first = resource | {"text": {"status": "generated", "div": f"<div {XHTML}>xsila</div>"}}
            unit.append(first, resource["id"], BASE, method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        for resource in resources:
            current = unit.current(resource["resourceType"], resource["id"])
            unit.append(resource, resource["id"], BASE, method="PUT", current=current)
    gone = resources.pop(200)
    with store.write(ANONYMOUS) as unit:
        current = unit.current(gone["resourceType"], gone["id"])
        assert current is not None
        unit.delete(current)
    return store, Told(resources, datetime(2024, 6, 1, tzinfo=UTC), BASE + "/")


def _asked(dice: random.Random) -> tuple[str, str]:
    text = dice.choice([a for a in ASKED if "<" not in a])
    return dice.choice(["_text", "_content"]), text


@pytest.mark.parametrize("limits", [DEFAULT, NARROW], ids=["default", "narrow"])
def test_finds_what_the_plain_reading_finds(clinic: tuple[Store, Told], limits: Limits) -> None:
    store, naive = clinic
    some = 0
    types = ("Observation", "Patient", "Procedure", "CarePlan", "Questionnaire")
    asked = [a for a in ASKED if "<" not in a]
    for type_, code, text in itertools.product(types, ("_text", "_content"), asked):
        pairs = [(code, text)]
        expected = [r["id"] for r in naive.search(type_, pairs)]
        found = [s.id for page in pages(store, type_, pairs, 7, limits) for s in page.matches]
        assert sorted(found) == sorted(expected), (type_, pairs)
        some += bool(expected)
    assert some > 150


COMBINED = [
    ("Observation", [("status", "final")]),
    ("Observation", [("date", "ge2024"), ("status:not", "final")]),
    ("Observation", [("_sort", "-date")]),
    ("Observation", [("_sort", "code,_id")]),
    ("Observation", [("patient.gender", "male")]),
    ("Patient", [("_has:Observation:patient:status", "final"), ("_sort", "family")]),
]


@pytest.mark.parametrize("limits", [DEFAULT, NARROW], ids=["default", "narrow"])
@pytest.mark.parametrize("narrowed", [False, True], ids=["all", "own"])
def test_with_other_parameters_links_and_order(
    clinic: tuple[Store, Told], limits: Limits, narrowed: bool
) -> None:
    store, whole = clinic
    caller = Caller("mother", ANONYMOUS.scopes, clients=OWN) if narrowed else ANONYMOUS
    seen = [r for r in whole.all if not narrowed or shown(r, whole)]
    naive = Told(seen, NOW, BASE + "/")
    dice = random.Random(5)
    some = 0
    for _ in range(60):
        type_, more = dice.choice(COMBINED)
        asked = [*more, _asked(dice)]
        code, text = _asked(dice)
        match dice.randint(0, 3):
            case 0 if type_ == "Observation":
                asked[-1] = (f"patient.{code}", text)
            case 1 if type_ == "Patient":
                asked[-1] = (f"_has:Observation:patient:{code}", text)
            case 2:
                asked.append((code, text))
        plain = [pair for pair in asked if pair[0] != "_sort"]
        expected = [r["id"] for r in naive.search(type_, plain)]
        found = [
            s.id for page in pages(store, type_, asked, 5, limits, caller) for s in page.matches
        ]
        assert sorted(found) == sorted(expected), (type_, asked)
        some += bool(expected)
    assert some > (10 if narrowed else 20)


def _all(store: Store, pairs: list[tuple[str, str]], patient: str | None = None) -> set[str]:
    with store.reader() as connection:
        query = parse_search(None, pairs, strict=True, base=BASE + "/", compartment=patient)
        found = search(connection, ANONYMOUS, query, count=1000, secret=b"s")
    return {stored.reference for stored in found.matches}


def test_over_all_types_and_within_a_record(clinic: tuple[Store, Told]) -> None:
    store, naive = clinic
    for pair in (("_content", "strength"), ("_text", '"lip strength"'), ("_content", "nova*")):
        expected = {
            f"{r['resourceType']}/{r['id']}" for r in naive.all if finds(r, pair[0], pair[1])
        }
        assert expected
        assert _all(store, [pair]) == expected
        assert _all(store, [pair], "p3") <= expected
    assert _all(store, [("_content", "strength")], "p3")


def test_reindexing_finds_the_same(clinic: tuple[Store, Told]) -> None:
    store, _ = clinic
    before = _all(store, [("_content", "strength")])
    with store.write(ANONYMOUS) as unit:
        connection = unit.reader()
        # A database that was made before there were words.
        if connection.dialect == "sqlite":
            connection.run("INSERT INTO index_text_match (index_text_match) VALUES ('delete-all')")
        connection.run("DELETE FROM index_text")
    assert _all(store, [("_content", "strength")]) == set()
    assert sum(reindexed(store, ANONYMOUS, BASE)) > 300
    assert _all(store, [("_content", "strength")]) == before
    with store.reader() as connection:
        if connection.dialect == "sqlite":
            connection.run(
                "INSERT INTO index_text_match (index_text_match, rank) VALUES"
                " ('integrity-check', 1)"
            )
