"""Does a document keep the rules of documents, and is nothing of another client in it?

Outside sources: the invariants of Bundle, Composition and Narrative in HL7's R4 package, evaluated
by fhirpathpy; the rules of http://hl7.org/fhir/R4/documents.html, recomputed here from the answer.
"""

from __future__ import annotations

import json

import httpx

from service.standard.validation import validate
from tests.rest.document.asking import Resource
from tests.rest.documents import assert_rules_of_documents, holds, invariants, literal


def test_document_keeps_the_rules_of_the_official_package(document: Resource) -> None:
    assert_rules_of_documents(document)


def test_rules_can_fail(document: Resource) -> None:
    rules = dict(invariants("Bundle"))
    assert not holds(rules["bdl-9"], document | {"identifier": {}}, document)
    assert not holds(rules["bdl-11"], document | {"entry": document["entry"][::-1]}, document)


def test_document_is_valid_by_our_own_rules_too(document: Resource) -> None:
    assert [issue for issue in validate(document) if issue.severity == "error"] == []


def test_every_reference_is_inside_and_nothing_else_is(
    fhir: httpx.Client, document: Resource
) -> None:
    urls = [entry["fullUrl"] for entry in document["entry"]]
    assert len(urls) == len(set(urls))
    held = {url.removeprefix(f"{str(fhir.base_url).rstrip('/')}/"): n for n, url in enumerate(urls)}
    for entry in document["entry"]:
        resource = entry["resource"]
        assert entry["fullUrl"].endswith(f"/{resource['resourceType']}/{resource['id']}")
        assert set(literal(resource)) <= set(held)
    reached, wanted = set(), {next(iter(held))}
    while wanted - reached:
        name = (wanted - reached).pop()
        reached.add(name)
        wanted |= set(literal(document["entry"][held[name]]["resource"]))
    assert reached == set(held)


def test_nothing_of_another_client_appears(
    fhir: httpx.Client, plan: str, document: Resource
) -> None:
    text = json.dumps(document)
    for secret in ("Neighbour", "Nils", "Secret", f"c-{plan}-other", "other-secret", "77.0"):
        assert secret not in text, secret
    inside = {entry["resource"]["id"] for entry in document["entry"]}
    assert f"{plan}-swallow-delay-90" in inside
    assert not inside & {f"{plan}-group", f"{plan}-task", f"{plan}-swallow-delay-91"}


def test_what_was_left_out_is_told_where_it_stood(plan: str, document: Resource) -> None:
    held = {entry["resource"]["id"]: entry["resource"] for entry in document["entry"]}
    masked = held[f"{plan}-swallow-delay-90"]
    reason = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
    assert masked["focus"] == [
        {"extension": [{"url": reason, "valueCode": "masked"}], "type": kind}
        for kind in ("Condition", "Patient")
    ]
    assert "SUBSETTED" in [tag["code"] for tag in masked["meta"]["tag"]]
    author = held[f"{plan}-swallow-delay-92"]["note"][0]["authorReference"]
    assert author["extension"] == [{"url": reason, "valueCode": "unknown"}]
    assert author["display"] == "Dr Gone"
    assert "reference" not in author
    whole = held[f"{plan}-swallow-delay-5"]
    assert "tag" not in whole["meta"]


def test_values_of_another_client_are_not_computed_with(fhir: httpx.Client, plan: str) -> None:
    answer = fhir.get(f"CarePlan/{plan}/$progress")
    assert "delay-92" in answer.text
    assert f"{plan}-swallow-delay-91" not in answer.text
