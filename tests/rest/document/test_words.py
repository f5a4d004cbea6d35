"""What does the Composition about a plan say? Against the case that it is written from."""

from __future__ import annotations

import json

import httpx
import pytest
from lxml import etree

from service.standard.validation import validate
from tests import official
from tests.factories.care import HOSTILE
from tests.rest.document.asking import Resource, write
from tests.rest.documents import composition_of
from tests.rest.putting import put_all

SECTIONS = [
    "cautions-allergies",
    "reason-problems",
    "plan-goals",
    "treatment",
    "outcomes",
    "recommendations",
    "next-steps",
]


def test_composition_has_every_part(plan: str, document: Resource) -> None:
    composition = composition_of(document)
    assert composition["status"] == "preliminary"
    assert "attester" not in composition
    assert composition["type"]["coding"][0]["code"] == "11512-1"
    assert composition["subject"] == {"reference": f"Patient/c-{plan}"}
    assert composition["custodian"] == {"reference": f"Organization/{plan}-house"}
    assert composition["event"][0]["period"]["start"] == "2026-03-02"
    assert composition["author"] == [{"reference": "#service", "display": "Hyoid"}]
    codes = [section["code"]["coding"][0]["code"] for section in composition["section"]]
    assert codes == SECTIONS


def test_codes_of_loinc_are_those_of_the_official_value_sets(document: Resource) -> None:
    """Section codes that only the CDA template library has are verified by hand, and named."""
    elsewhere = {"11450-4", "11383-7"}
    known = {
        concept["code"]: concept.get("display")
        for key in ("ValueSet-c80-doc-typecodes", "ValueSet-doc-section-codes")
        for include in official.package()[key]["compose"]["include"]
        for concept in include.get("concept", ())
    }
    composition = composition_of(document)
    concepts = [composition["type"], *(section["code"] for section in composition["section"])]
    used = {
        coding["code"]
        for concept in concepts
        for coding in concept["coding"]
        if coding["system"] == "http://loinc.org"
    }
    assert used - elsewhere <= set(known)
    assert elsewhere <= used


def _text(section: Resource) -> str:
    div = etree.fromstring(section["text"]["div"])
    return " ".join(" ".join(div.itertext()).split())


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("cautions-allergies", ["Coughs on thin fluids", "Citrus fruit", "Swollen lips", "high"]),
        ("cautions-allergies", ["Minced and moist", "licensed therapist"]),
        ("reason-problems", ["Swallowing difficulty", "October 2025", "Active"]),
        (
            "plan-goals",
            ["Prompt swallow & safe words", "Swallow delay", "3.0 s or less", "over 1 goal."],
        ),
        ("plan-goals", ["Ada Okoro", "2 March 2026"]),
        (
            "treatment",
            ["3 sets, 5 strokes a side", "2 times a week", "90 / 90", "Chilled rapid strokes"],
        ),
        ("treatment", ["Illness 1", "6 of ", "▁"]),
        ("outcomes", ["9.15 s (median of 4)", "8.8 →", "improving", "23 April 2026"]),
        ("recommendations", ["Keep the dose. <b>Loud</b>", "20 March 2026, 10:00", "Upright"]),
        ("next-steps", ["Next visit", "booked", "Ada Okoro"]),
    ],
)
def test_section_says(document: Resource, code: str, words: list[str]) -> None:
    section = composition_of(document)["section"][SECTIONS.index(code)]
    told = _text(section)
    for word in words:
        assert word in told, told


def test_narrative_is_escaped_and_plain(document: Resource) -> None:
    composition = composition_of(document)
    divs = [composition["text"]["div"], *(s["text"]["div"] for s in composition["section"])]
    allowed = {"div", "p", "b", "ul", "li", "table", "caption", "thead", "tbody", "tr", "th", "td"}
    for div in divs:
        assert div.startswith('<div xmlns="http://www.w3.org/1999/xhtml"')
        assert "<script" not in div
        root = etree.fromstring(div)
        assert {etree.QName(node).localname for node in root.iter()} <= allowed
        assert all(text.strip() for node in root.iter("{*}td", "{*}th") for text in [node.text])
    assert HOSTILE in _text(composition)
    assert "safe to swallow" not in json.dumps(document).lower()


def test_sections_with_nothing_say_why(fhir: httpx.Client, name: str) -> None:
    mine = {"reference": f"Patient/c-{name}"}
    bare = {"resourceType": "CarePlan", "id": name, "status": "active", "intent": "plan"}
    put_all(
        fhir,
        [
            {"resourceType": "Patient", "id": f"c-{name}"},
            bare | {"subject": mine, "period": {"start": "2026-03-02"}},
        ],
    )
    document = write(fhir, name).json()
    found = {
        section["code"]["coding"][0]["code"]: section
        for section in composition_of(document)["section"]
    }
    reasons = {
        code: section["emptyReason"]["coding"][0]["code"]
        for code, section in found.items()
        if "emptyReason" in section
    }
    assert reasons == {
        "cautions-allergies": "unavailable",
        "reason-problems": "unavailable",
        "treatment": "notstarted",
        "outcomes": "notstarted",
        "recommendations": "unavailable",
        "next-steps": "unavailable",
    }
    assert "no statement that there is none" in _text(found["cautions-allergies"])
    assert [issue for issue in validate(document) if issue.severity == "error"] == []


def test_discharge_summary_when_the_plan_is_done(fhir: httpx.Client, plan: str) -> None:
    patch = [{"op": "replace", "path": "/status", "value": "completed"}]
    fhir.patch(
        f"CarePlan/{plan}",
        content=json.dumps(patch),
        headers={"Content-Type": "application/json-patch+json"},
    ).raise_for_status()
    composition = composition_of(write(fhir, plan).json())
    assert composition["type"]["coding"][0]["code"] == "68841-6"
