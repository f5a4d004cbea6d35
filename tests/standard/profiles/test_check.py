"""What is asked when a resource is written, and what $validate tells.

Outside source: R4, http.html#create (422: the resource violated applicable FHIR profiles),
resource.html#profile.
"""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest

from service.errors import Invalid
from service.standard.profiles import (
    check,
    declared,
    declared_issues,
    profile_issues,
    validate,
)
from tests.standard.profiles.made import Resource, changed

OWN = "https://hyoid.example/fhir/StructureDefinition/"
MEASURE = "https://hyoid.example/fhir/CodeSystem/measure"


def measure(**more: Any) -> Resource:
    """A measure that keeps to its profile."""
    found: Resource = {
        "resourceType": "Observation",
        "meta": {"profile": [f"{OWN}outcome-measure"]},
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": "exam",
                    }
                ]
            }
        ],
        "code": {"coding": [{"system": MEASURE, "code": "tongue-pressure"}]},
        "subject": {"reference": "Patient/1"},
        "effectiveDateTime": "2026-03-04",
        "performer": [{"reference": "Practitioner/1"}],
        "valueQuantity": {
            "value": 21.5,
            "unit": "kPa",
            "system": "http://unitsofmeasure.org",
            "code": "kPa",
        },
    }
    return changed(found, **more)


def test_what_keeps_to_its_profile_is_taken() -> None:
    check(measure())


def test_a_breach_of_a_named_profile_is_422() -> None:
    with pytest.raises(Invalid) as refused:
        check(measure(performer=None))
    assert refused.value.status == 422
    (issue,) = refused.value.issues
    assert issue.expression == "Observation.performer"
    assert f"{OWN}outcome-measure" in issue.text


def test_without_a_named_profile_nothing_more_is_asked() -> None:
    check(measure(performer=None, meta=None))


def test_breaches_of_r4_come_first_and_are_400() -> None:
    with pytest.raises(Invalid) as refused:
        check(measure(performer=None, colour="blue"))
    assert refused.value.status == 400
    assert "colour" in str(refused.value)


def test_unknown_profiles_are_taken_and_told() -> None:
    unknown = measure(performer=None, meta={"profile": ["https://elsewhere.example/p"]})
    check(unknown)
    (issue,) = profile_issues(unknown, declared(unknown))
    assert (issue.severity, issue.code) == ("warning", "not-supported")
    assert "https://elsewhere.example/p" in issue.text


def test_a_type_of_r4_is_a_profile_of_itself() -> None:
    core = "http://hl7.org/fhir/StructureDefinition/"
    assert profile_issues(measure(), [f"{core}Observation"]) == []
    (issue,) = profile_issues(measure(), [f"{core}Patient"])
    assert issue.severity == "error"


def test_resources_in_a_bundle_are_looked_at_in_their_place() -> None:
    entries = [measure(), measure(performer=None)]
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"resource": resource, "request": {"method": "POST", "url": "Observation"}}
            for resource in entries
        ],
    }
    with pytest.raises(Invalid) as refused:
        check(bundle)
    assert [i.expression for i in refused.value.issues] == ["Bundle.entry[1].resource.performer"]


def test_extensions_are_looked_at_with_a_named_profile() -> None:
    dose = {"url": f"{OWN}dose", "extension": [{"url": "sets", "valuePositiveInt": 3}]}
    issues = validate(measure(extension=[dose]))
    assert [(i.code, i.expression) for i in issues if i.severity == "error"] == [
        ("structure", "Observation.extension[0]")
    ]
    without = validate(measure(extension=[dose], meta=None))
    assert [issue for issue in without if issue.severity == "error"] == []


def test_the_parts_of_a_dose() -> None:
    def given(*parts: Resource) -> list[tuple[str, str | None]]:
        order = {
            "resourceType": "ServiceRequest",
            "extension": [{"url": f"{OWN}dose", "extension": list(parts)}],
            "status": "active",
            "intent": "order",
            "subject": {"reference": "Patient/1"},
        }
        found = profile_issues(order, [])
        return [(issue.code, issue.expression) for issue in found]

    at = "ServiceRequest.extension[0].extension"
    sets = {"url": "sets", "valuePositiveInt": 3}
    assert given(sets) == []
    assert given(sets, sets) == [("structure", at)]
    assert given({"url": "sets", "valueString": "3"}) == [("structure", f"{at}[0].value")]
    assert given({"url": "colour", "valueString": "blue"}) == [("structure", f"{at}[0]")]
    coding = {"system": "https://hyoid.example/fhir/CodeSystem/side-order", "code": "weaker-first"}
    assert given({"url": "sideOrder", "valueCoding": coding}) == []
    coding["system"] = "urn:x"
    assert given({"url": "sideOrder", "valueCoding": coding}) == [
        ("code-invalid", f"{at}[0].value")
    ]


def test_in_a_bundle_a_slice_by_type_is_told_by_what_a_urn_leads_to() -> None:
    """R4, profiling.html#discriminator: `resolve()` leads to the entry with that fullUrl
    (bundle.html#references)."""
    plan, order = f"urn:uuid:{uuid4()}", f"urn:uuid:{uuid4()}"
    delivered = {
        "resourceType": "Procedure",
        "meta": {"profile": [f"{OWN}delivered-technique"]},
        "status": "completed",
        "code": {
            "coding": [
                {
                    "system": "https://hyoid.example/fhir/CodeSystem/technique",
                    "code": "quick-taps",
                }
            ]
        },
        "subject": {"reference": "Patient/1"},
        "encounter": {"reference": "Encounter/1"},
        "performedDateTime": "2026-03-04",
        "performer": [{"actor": {"reference": "Practitioner/1"}}],
        "basedOn": [{"reference": plan}, {"reference": order}],
    }
    entries = [
        _entry(f"urn:uuid:{uuid4()}", delivered),
        _entry(plan, {"resourceType": "CarePlan"}),
        _entry(order, {"resourceType": "ServiceRequest"}),
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    place = "Bundle.entry[0].resource.basedOn"
    assert place not in {issue.expression for issue in declared_issues(bundle)}
    entries[1]["resource"]["resourceType"] = "Goal"
    assert place in {issue.expression for issue in declared_issues(bundle)}


def _entry(full_url: str, resource: Resource) -> Resource:
    kind = resource["resourceType"]
    return {
        "fullUrl": full_url,
        "resource": resource,
        "request": {"method": "POST", "url": kind},
    }
