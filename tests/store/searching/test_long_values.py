"""Are values found that are too long to stand whole in an index?"""

from __future__ import annotations

import pytest

from service.caller import ANONYMOUS
from service.standard.search_query import parse_search
from service.store.searching import search
from service.store.store import Store

BASE = "http://clinic.example/fhir"
LONG = "Ž" + "a" * 298 + "z"
OTHER = "Ž" + "a" * 298 + "y"
MIDDLE = "Ž" + "a" * 170


@pytest.fixture
def filled(store: Store) -> Store:
    with store.write(ANONYMOUS) as unit:
        for id_, text in (("long", LONG), ("other", OTHER), ("middle", MIDDLE)):
            patient = {
                "resourceType": "Patient",
                "id": id_,
                "name": [{"family": text}],
                "identifier": [{"system": "urn:x", "value": text}],
            }
            unit.append(patient, id_, BASE, method="PUT", current=None)
            form = {"resourceType": "Questionnaire", "id": id_, "url": f"http://x/{text}"}
            unit.append(form, id_, BASE, method="PUT", current=None)
    return store


@pytest.mark.parametrize(
    ("type_", "name", "value", "expected"),
    [
        ("Patient", "family", LONG[:50], ["long", "other", "middle"]),
        ("Patient", "family", LONG[:170], ["long", "other", "middle"]),
        ("Patient", "family", LONG[:180], ["long", "other"]),
        ("Patient", "family:exact", LONG, ["long"]),
        ("Patient", "family:contains", "ža", ["long", "other", "middle"]),
        ("Patient", "family:contains", "x" * 60_000, []),
        ("Patient", "family", "a" * 60_000, []),
        ("Patient", "identifier", f"urn:x|{LONG}", ["long"]),
        ("Patient", "identifier", MIDDLE, ["middle"]),
        ("Questionnaire", "url", f"http://x/{OTHER}", ["other"]),
        ("Questionnaire", "url:below", "http://x", ["long", "other", "middle"]),
    ],
)
def test_long_values(filled: Store, type_: str, name: str, value: str, expected: list[str]) -> None:
    query = parse_search(type_, [(name, value)], strict=True)
    with filled.reader() as connection:
        found = search(connection, ANONYMOUS, query, count=10, secret=b"s")
    assert [stored.id for stored in found.matches] == expected
