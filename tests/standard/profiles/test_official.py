"""HL7's own profiles on HL7's own examples, and on examples that were spoiled.

Outside sources: the vital signs profiles, shareable profiles and extensions of
hl7.fhir.r4.core 4.0.1; the official examples in tests/conformance/examples.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import pytest

from service.standard.profiles.reading import read_profile
from service.standard.registry import RESOURCE_TYPES
from service.standard.terminology.shipped import Shelf
from tests.official import package, resources
from tests.standard.profiles.made import Resource, changed, coded, issues, told

EXAMPLES = Path(__file__).parents[2] / "conformance" / "examples"
CORE = "http://hl7.org/fhir/StructureDefinition/"


@functools.cache
def library() -> Shelf:
    return Shelf([*resources("CodeSystem"), *resources("ValueSet")])


def vital_signs() -> list[Resource]:
    names = ("vitalsigns", "bp", "bodyweight", "bodyheight", "bmi", "resprate", "oxygensat")
    return [package()[f"StructureDefinition-{name}"] for name in names]


def example(file: str) -> Resource:
    """An official example; references were left out of it, so the subject is put back."""
    for line in (EXAMPLES / "Observation.ndjson").read_text("utf-8").splitlines():
        found = json.loads(line)
        if found["file"] == file:
            resource: Resource = found["resource"]
            return resource | {"subject": {"reference": "Patient/example"}}
    raise AssertionError(file)


def judged(resource: Resource, name: str) -> list[tuple[str, str | None]]:
    return told(resource, *vital_signs(), url=CORE + name, library=library())


VITAL = [
    ("observation-example.json", "bodyweight"),
    ("observation-example-body-height.json", "bodyheight"),
    ("observation-example-bmi.json", "bmi"),
    ("observation-example-respiratory-rate.json", "resprate"),
]


@pytest.mark.parametrize(("file", "name"), VITAL)
def test_examples_keep_to_their_profiles(file: str, name: str) -> None:
    found = example(file)
    assert judged(found, name) == []
    assert judged(found, "vitalsigns") == []


@pytest.mark.parametrize(("file", "name"), VITAL)
def test_spoiled_examples_do_not(file: str, name: str) -> None:
    """Source: what the profiles say of code, category, effective, value and its unit."""
    good = example(file)
    value = good["valueQuantity"]
    spoiled: dict[str, dict[str, Any]] = {
        "Observation.category": {"category": [{"text": "Vital Signs"}]},
        "Observation.code.coding": {"code": coded("1")},
        "Observation.effective": {"effectiveDateTime": None},
        "Observation.subject": {"subject": None},
        "Observation.value.code": {"valueQuantity": value | {"code": "stone"}},
        "Observation.value.system": {"valueQuantity": value | {"system": "urn:x"}},
        "Observation.value": {"valueQuantity": None, "valueString": "much"},
    }
    for place, changes in spoiled.items():
        found = judged(changed(good, **changes), name)
        assert any(where and where.startswith(place) for _, where in found), (place, found)


def blood_pressure() -> Resource:
    """Made after the text of the profile: systolic and diastolic as components."""

    def part(code: str, value: int) -> Resource:
        quantity = {
            "value": value,
            "unit": "mmHg",
            "system": "http://unitsofmeasure.org",
            "code": "mm[Hg]",
        }
        coding = [{"system": "http://loinc.org", "code": code}]
        return {"code": {"coding": coding}, "valueQuantity": quantity}

    return {
        "resourceType": "Observation",
        "status": "final",
        "category": example("observation-example.json")["category"],
        "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]},
        "subject": {"reference": "Patient/example"},
        "effectiveDateTime": "2026-03-04",
        "component": [part("8480-6", 120), part("8462-4", 80)],
    }


def test_blood_pressure_needs_both_components() -> None:
    good = blood_pressure()
    assert judged(good, "bp") == []
    both_high = changed(good, component=[good["component"][0]] * 2)
    places = judged(both_high, "bp")
    assert ("required", "Observation.component") in places
    assert ("structure", "Observation.component") in places
    assert ("required", "Observation.component") in judged(
        changed(good, component=good["component"][:1]), "bp"
    )
    third = {"code": {"text": "cuff"}, "valueBoolean": True}
    assert judged(changed(good, component=[*good["component"], third]), "bp") == []
    good["component"][1]["valueQuantity"]["code"] = "%"
    assert judged(good, "bp") == [("value", "Observation.component[1].value.code")]


def test_what_is_not_checked_is_said() -> None:
    """Source: StructureDefinition vitalsigns: a rule beyond our FHIRPath, and profiles of what is
    referred to."""
    found = issues(blood_pressure(), *vital_signs(), url=CORE + "bp", library=library())
    said = [i.text for i in found if i.severity == "information"]
    assert any("vs-1" in text for text in said)
    assert any("hasMember" in text for text in said)


def test_every_official_profile_can_be_read() -> None:
    """Source: all constraints on types in the package."""
    read = 0
    for raw in resources("StructureDefinition"):
        if raw.get("derivation") != "constraint":
            continue
        found = read_profile(raw)
        assert found.url == raw["url"]
        if raw["type"] in RESOURCE_TYPES:
            assert not [what for what in found.unchecked if "does not have" in what], raw["id"]
        read += 1
    assert read > 400


def test_shareable_profiles() -> None:
    """Source: ShareableCodeSystem asks for url, version, title, … which CodeSystem does not."""
    raw = package()["StructureDefinition-shareablecodesystem"]
    good = package()["CodeSystem-observation-status"] | {
        "experimental": False,
        "publisher": "HL7",
        "description": "x",
    }
    assert told(good, raw, url=raw["url"]) == []
    for name in ("url", "version", "experimental", "publisher", "description"):
        spoiled = changed(good, **{name: None})
        assert told(spoiled, raw, url=raw["url"]) == [("required", f"CodeSystem.{name}")]


def test_snapshot_and_differential_ask_the_same() -> None:
    """Source: both halves of StructureDefinition bodyweight and its base."""
    whole = [{k: v for k, v in raw.items() if k != "differential"} for raw in vital_signs()]
    good = example("observation-example.json")
    value = good["valueQuantity"]
    for changes in (
        {},
        {"effectiveDateTime": None},
        {"valueQuantity": value | {"code": "stone"}},
        {"category": [{"text": "x"}]},
    ):
        spoiled = changed(good, **changes)
        first = judged(spoiled, "bodyweight")
        second = told(spoiled, *whole, url=CORE + "bodyweight", library=library())
        assert set(first) == set(second)


def test_extensions_of_hl7_in_their_places() -> None:
    """Source: StructureDefinition goal-acceptance: on Goal, complex, status from a value set."""
    raw = package()["StructureDefinition-goal-acceptance"]
    url = raw["url"]
    individual = {"url": "individual", "valueReference": {"reference": "Patient/1"}}
    status = {"url": "status", "valueCode": "agree"}

    def goal(*parts: Resource) -> Resource:
        return {
            "resourceType": "Goal",
            "extension": [{"url": url, "extension": list(parts)}],
            "lifecycleStatus": "active",
            "description": {"text": "x"},
            "subject": {"reference": "Patient/1"},
        }

    at = "Goal.extension[0]"
    assert told(goal(individual, status), raw, url="x:none") == []
    assert told(goal(status), raw, url="x:none") == [("required", f"{at}.extension")]
    bad_code = status | {"valueCode": "perhaps"}
    assert told(goal(individual, bad_code), raw, url="x:none", library=library()) == [
        ("code-invalid", f"{at}.extension[1].value")
    ]
    wrong_type = {"url": "status", "valueString": "agree"}
    assert told(goal(individual, wrong_type), raw, url="x:none")
    elsewhere = goal(individual) | {
        "resourceType": "CarePlan",
        "status": "active",
        "intent": "plan",
    }
    del elsewhere["lifecycleStatus"], elsewhere["description"]
    assert ("structure", "CarePlan.extension[0]") in told(elsewhere, raw, url="x:none")
