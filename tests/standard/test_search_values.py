"""Under which values is a resource found? Source: R4, Search, and the pages of the types."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.errors import Invalid
from service.standard.codec import decode
from service.standard.search_values import SearchValues, clip, extract, fold
from tests.standard.search_rows import of

BASE = "https://hyoid.example/fhir/"

MEASURE: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "pressure",
    "meta": {
        "tag": [{"system": "http://c.example/tags", "code": "demo"}],
        "profile": ["http://p.example/measure|1.0"],
        "source": "urn:clinic:a",
    },
    "identifier": [{"system": "http://c.example/obs", "value": "77"}],
    "partOf": [{"reference": "Procedure/p1"}],
    "status": "final",
    "category": [{"coding": [{"code": "therapy"}]}],
    "code": {"coding": [{"system": "http://loinc.org", "code": "1-8"}, {"code": "own"}]},
    "subject": {"reference": "Patient/anna"},
    "effectiveDateTime": "2026-03-01",
    "performer": [{"reference": "Practitioner/t1"}, {"reference": "Patient/anna"}],
    "valueQuantity": {
        "value": Decimal("41.50"),
        "unit": "kPa",
        "system": "http://unitsofmeasure.org",
        "code": "kPa",
    },
}


def test_a_measure_is_found_by_each_of_its_values() -> None:
    found = extract(MEASURE)
    assert of(found.tokens, "Observation", "code") == [
        ("", "own", 0),
        ("http://loinc.org", "1-8", 0),
    ]
    assert of(found.tokens, "Observation", "status") == [
        ("http://hl7.org/fhir/observation-status", "final", 0)
    ]
    assert of(found.tokens, "Observation", "identifier") == [("http://c.example/obs", "77", 1)]
    assert of(found.tokens, "Observation", "_tag") == [("http://c.example/tags", "demo", 0)]
    assert of(found.uris, "Observation", "_source") == [("urn:clinic:a", 0)]
    assert of(found.uris, "Observation", "_profile") == [
        ("http://p.example/measure", 0),
        ("http://p.example/measure|1.0", 0),
    ]
    assert of(found.references, "Observation", "part-of") == [("Procedure", "p1", 1)]
    assert of(found.references, "Observation", "performer") == [
        ("Patient", "anna", 2),
        ("Practitioner", "t1", 1),
    ]
    assert len(of(found.dates, "Observation", "date")) == 1
    assert of(found.quantities, "Observation", "value-quantity") == [
        (41.5, 41.5, "http://unitsofmeasure.org", "kPa", "kPa", 0, 41.5e6, 41.5e6, "g.m-1.s-2")
    ]
    assert found.patients == ["anna"]


def test_no_row_twice_and_none_for_id_and_last_update() -> None:
    doubled = MEASURE | {"code": {"coding": [{"code": "own"}, {"code": "own"}]}}
    found = extract(doubled | {"meta": {"lastUpdated": "2026-01-01T10:00:00Z"}})
    for rows in (found.tokens, found.references, found.dates, found.quantities, found.strings):
        assert len(rows) == len(set(rows))
    assert of(found.tokens, "Observation", "_id") == []
    assert of(found.dates, "Observation", "_lastUpdated") == []


def test_components_share_the_group_of_their_repetition() -> None:
    # R4, Observation: component-code-value-quantity pairs code and value of one component.
    found = extract(
        {
            "resourceType": "Observation",
            "code": {"coding": [{"code": "all"}]},
            "component": [
                {"code": {"coding": [{"code": "left"}]}, "valueQuantity": {"value": 1}},
                {"code": {"coding": [{"code": "right"}]}, "valueQuantity": {"value": 2}},
            ],
        }
    )
    codes = of(found.tokens, "Observation", "component-code")
    values = of(found.quantities, "Observation", "component-value-quantity")
    assert codes == [("", "left", 1), ("", "right", 2)]
    assert [(row[0], row[5]) for row in values] == [(1.0, 1), (2.0, 2)]
    assert of(found.tokens, "Observation", "combo-code")[0] == ("", "all", 0)


def test_numbers_of_the_codec_are_taken() -> None:
    raw = b'{"resourceType":"Observation","valueQuantity":{"value":1.00e-2}}'
    found = extract(decode(raw))
    assert of(found.quantities, "Observation", "value-quantity")[0][:2] == (0.01, 0.01)


@pytest.mark.parametrize(
    ("resource", "patients"),
    [
        ({"resourceType": "Patient", "id": "a"}, ["a"]),
        (
            {"resourceType": "Patient", "id": "a", "link": [{"other": {"reference": "Patient/b"}}]},
            ["a", "b"],
        ),
        ({"resourceType": "Condition", "subject": {"reference": "Patient/a/_history/3"}}, ["a"]),
        ({"resourceType": "Condition", "subject": {"reference": "Group/a"}}, []),
        (
            {"resourceType": "Condition", "subject": {"reference": "https://x.example/Patient/a"}},
            [],
        ),
        ({"resourceType": "Condition", "subject": {"reference": "#p"}}, []),
        (
            {
                "resourceType": "Group",
                "member": [
                    {"entity": {"reference": "Patient/b"}},
                    {"entity": {"reference": "Patient/a"}},
                ],
            },
            ["a", "b"],
        ),
        ({"resourceType": "Questionnaire", "subjectType": ["Patient"]}, []),
        # Observation.focus is no parameter of the compartment.
        ({"resourceType": "Observation", "focus": [{"reference": "Patient/a"}]}, []),
        # Provenance: by patient, which is target where it is a Patient.
        ({"resourceType": "Provenance", "target": [{"reference": "Patient/a"}]}, ["a"]),
    ],
)
def test_compartments(resource: dict[str, Any], patients: list[str]) -> None:
    assert extract(resource).patients == patients


def test_absolute_references_below_our_base_are_local() -> None:
    condition = {"resourceType": "Condition", "subject": {"reference": f"{BASE}Patient/a"}}
    assert extract(condition, BASE).patients == ["a"]
    assert extract(condition).patients == []


def test_deceased_is_always_yes_or_no() -> None:
    # R4, Patient: deceased.exists() and deceased != false
    special = "http://terminology.hl7.org/CodeSystem/special-values"
    for resource, answer in (
        ({}, "false"),
        ({"deceasedBoolean": False}, "false"),
        ({"deceasedBoolean": True}, "true"),
        ({"deceasedDateTime": "2020"}, "true"),
    ):
        found = extract({"resourceType": "Patient", **resource})
        assert of(found.tokens, "Patient", "deceased") == [(special, answer, 0)]
    unknown = extract({"resourceType": "Patient", "_deceasedBoolean": {"extension": []}})
    assert of(unknown.tokens, "Patient", "deceased") == []


@pytest.mark.parametrize(
    "resource",
    [
        {"resourceType": "Observation", "status": {"not": "a code"}},
        {"resourceType": "Observation", "code": "not a concept"},
        {"resourceType": "Observation", "effectiveDateTime": "yesterday"},
        {"resourceType": "Observation", "component": 3},
        {"resourceType": "Observation", "valueQuantity": {"value": "many"}},
    ],
)
def test_a_misshapen_resource_is_refused_as_invalid(resource: dict[str, Any]) -> None:
    with pytest.raises(Invalid, match="Observation is not shaped as R4 says"):
        extract(resource)


def test_the_resource_is_left_as_it_was() -> None:
    before = repr(MEASURE)
    extract(MEASURE)
    assert repr(MEASURE) == before


def test_a_type_without_parameters_of_its_own_has_rows_of_its_meta_only() -> None:
    found: SearchValues = extract(
        {"resourceType": "Binary", "contentType": "text/plain", "meta": {"tag": [{"code": "x"}]}}
    )
    assert of(found.tokens, "Binary", "_tag") == [("", "x", 0)]
    assert len(found.tokens) == 1


def test_fold_and_clip_are_at_the_door() -> None:
    assert fold("ÄB") == "ab"
    assert clip("short") == "short"


@pytest.mark.parametrize(
    ("url", "found"),
    [
        ("Binary/b", {"Binary/b"}),
        ("https://here.example/fhir/Binary/b", {"https://here.example/fhir/Binary/b", "Binary/b"}),
        ("https://there.example/fhir/Binary/b", {"https://there.example/fhir/Binary/b"}),
    ],
)
def test_an_attachment_of_ours_is_found_by_either_address(url: str, found: set[str]) -> None:
    document = {
        "resourceType": "DocumentReference",
        "status": "current",
        "content": [{"attachment": {"url": url}}],
    }
    rows = of(extract(document, "https://here.example/fhir/").uris, "DocumentReference", "location")
    assert {value for value, _ in rows} == found
