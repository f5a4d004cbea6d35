"""Outside source: R4, Bundle: rules bdl-1 to bdl-12, the text of Bundle.entry.fullUrl, and
Documents ("SHALL be included")."""

from __future__ import annotations

from typing import Any

import pytest

from tests.standard.validation.resources import (
    UUID,
    Resource,
    bundle,
    errors,
    keys,
    patient,
    resource,
)

BASE = "http://example.org/fhir"
POST = {"method": "POST", "url": "Patient"}
ONE = {"fullUrl": f"{BASE}/Patient/1", "resource": patient(id="1")}
OK = {"status": "200"}


def composition(**elements: Any) -> Resource:
    made = {
        "id": "c",
        "status": "final",
        "type": {"text": "a"},
        "date": "2026",
        "title": "b",
        "author": [{"display": "c"}],
    }
    return resource("Composition", **(made | elements))


def document(made: Resource, *entries: Resource, **elements: Any) -> Resource:
    given: Resource = {
        "identifier": {"system": "http://example.org", "value": "1"},
        "timestamp": "2026-01-01T00:00:00Z",
    }
    first = {"fullUrl": f"{BASE}/Composition/c", "resource": made}
    return bundle("document", first, *entries, **(given | elements))


GOOD = [
    bundle("collection", ONE),
    bundle("collection", {"resource": patient()}),
    bundle("searchset", ONE | {"search": {"mode": "match"}}, total=1),
    bundle("searchset", total=0),
    bundle("transaction", {"resource": patient(), "request": POST}),
    bundle("transaction", {"request": {"method": "DELETE", "url": "Patient/1"}}),
    bundle("batch-response", {"response": OK}),
    bundle(
        "history",
        ONE | {"request": POST, "response": OK},
        {"fullUrl": f"{BASE}/Patient/1", "request": POST, "response": OK},
    ),
    bundle("collection", {"fullUrl": UUID, "resource": patient(id="1")}),
    bundle("collection", {"fullUrl": "http://example.org/any", "resource": patient(id="1")}),
    document(composition()),
]
BAD = {
    "bdl-1": bundle("batch", total=1),
    "bdl-2": bundle("collection", ONE | {"search": {"mode": "match"}}),
    "bdl-3": bundle("transaction", {"resource": patient()}),
    "bdl-4": bundle("batch-response", {"resource": patient()}),
    "bdl-5": bundle("collection", {"fullUrl": UUID}),
    "bdl-7": bundle("collection", ONE, ONE),
    "bdl-8": bundle(
        "collection", {"fullUrl": f"{BASE}/Patient/1/_history/2", "resource": patient(id="1")}
    ),
    "bdl-9": document(composition(), identifier={"value": "1"}),
    "bdl-10": document(composition(), timestamp=None),
    "bdl-11": document(patient()),
    "bdl-12": bundle("message", ONE),
}
BAD["bdl-10"].pop("timestamp")


@pytest.mark.parametrize("checked", GOOD, ids=lambda made: str(made["type"]))
def test_what_the_rules_allow_is_accepted(checked: Resource) -> None:
    assert errors(checked) == []


@pytest.mark.parametrize("key", BAD)
def test_a_broken_rule_is_named(key: str) -> None:
    assert key in keys(BAD[key])


def test_an_identified_resource_must_have_a_full_url_but_in_requests() -> None:
    found = errors(bundle("collection", {"resource": patient(id="1")}))
    assert found == [("required", "Bundle.entry[0].fullUrl")]
    put = {"resource": patient(id="1"), "request": {"method": "PUT", "url": "Patient/1"}}
    assert errors(bundle("transaction", put)) == []


@pytest.mark.parametrize("url", ["Patient/1", f"{BASE}/Patient/2"])
def test_full_url_is_absolute_and_ends_with_the_id(url: str) -> None:
    found = errors(bundle("collection", ONE | {"fullUrl": url}))
    assert found == [("value", "Bundle.entry[0].fullUrl")]


def test_a_document_starts_with_something() -> None:
    empty = {name: value for name, value in document(composition()).items() if name != "entry"}
    assert ("required", "Bundle") in errors(empty)


def test_a_document_holds_what_its_composition_names() -> None:
    section = {"entry": [{"reference": "Observation/o"}], "text": composition()["text"]}
    made = composition(subject={"reference": "Patient/1"}, section=[section])
    at = "Bundle.entry[0].resource"
    assert errors(document(made)) == [
        ("not-found", f"{at}.subject"),
        ("not-found", f"{at}.section[0].entry[0]"),
    ]
    held = {
        "fullUrl": UUID,
        "resource": resource("Observation", id="o", status="final", code={"text": "a"}),
    }
    assert errors(document(made, ONE, held)) == []
