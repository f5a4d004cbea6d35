"""Our profiles: kept to by the invented clinic, and broken by what breaks their sense.

Outside sources: the official package, from which the snapshots are made again; R4's own rules on
StructureDefinition (sdf-*).
"""

from __future__ import annotations

import copy
import functools
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.data import mappings
from service.standard.profiles import check, declared, profile_issues
from service.standard.profiles.library import shipped_profiles
from service.standard.validation import validate
from tests import official
from tests.examples.invented import final, sent

OWN = "https://hyoid.example/fhir/StructureDefinition/"
SYSTEMS = "https://hyoid.example/fhir/CodeSystem/"
Resource = dict[str, Any]
NAMES = (
    "therapy-plan",
    "therapy-goal",
    "technique-order",
    "therapy-session",
    "delivered-technique",
    "technique-response",
    "outcome-measure",
)


@functools.cache
def kept(name: str) -> tuple[Resource, ...]:
    return tuple(r for r in final() if OWN + name in declared(r))


@pytest.mark.parametrize("name", NAMES)
def test_the_clinic_keeps_to_the_profiles_it_names(name: str) -> None:
    assert len(kept(name)) >= 7
    for resource in kept(name):
        assert profile_issues(resource, [OWN + name]) == [], resource["identifier"]


def test_everything_the_clinic_sends_is_taken() -> None:
    for bundle in sent():
        check(bundle)


def coding(system: str, code: str) -> Resource:
    return {"coding": [{"system": system, "code": code}]}


def other_dose(resource: Resource) -> None:
    resource["extension"][0]["extension"].append({"url": "colour", "valueString": "blue"})


BROKEN: list[tuple[str, Callable[[Resource], Any], str]] = [
    ("therapy-plan", lambda r: r.pop("goal"), "CarePlan.goal"),
    ("therapy-plan", lambda r: r.pop("title"), "CarePlan.title"),
    ("therapy-plan", lambda r: r.pop("period"), "CarePlan"),
    ("therapy-plan", lambda r: r.update(category=[{"text": "plan"}]), "CarePlan.category"),
    ("therapy-plan", lambda r: r.update(subject={"reference": "Group/1"}), "CarePlan.subject"),
    (
        "therapy-plan",
        lambda r: r.update(activity=[{"detail": {"status": "not-started"}}]),
        "CarePlan.activity[0].detail",
    ),
    ("therapy-goal", lambda r: r.pop("target"), "Goal.target"),
    ("therapy-goal", lambda r: r["target"][0].pop("dueDate"), "Goal.target[0]"),
    ("therapy-goal", lambda r: r["target"][0].pop("detailRange"), "Goal.target[0].detail"),
    ("therapy-goal", lambda r: r.pop("startDate"), "Goal"),
    (
        "therapy-goal",
        lambda r: r.update(achievementStatus=coding("urn:x", "won")),
        "Goal.achievementStatus",
    ),
    ("technique-order", lambda r: r["extension"].pop(0), "ServiceRequest.extension"),
    ("technique-order", other_dose, "ServiceRequest.extension[0].extension[5]"),
    ("technique-order", lambda r: r.pop("bodySite"), "ServiceRequest.bodySite"),
    ("technique-order", lambda r: r.pop("basedOn"), "ServiceRequest"),
    ("technique-order", lambda r: r.pop("occurrenceTiming"), "ServiceRequest.occurrence"),
    (
        "technique-order",
        lambda r: r.update(code=coding("http://snomed.info/sct", "5154007")),
        "ServiceRequest.code",
    ),
    ("therapy-session", lambda r: r.pop("identifier"), "Encounter.identifier"),
    (
        "therapy-session",
        lambda r: r["identifier"][0].pop("system"),
        "Encounter.identifier[0].system",
    ),
    ("therapy-session", lambda r: r.pop("period"), "Encounter.period"),
    (
        "therapy-session",
        lambda r: r.update(type=[coding("urn:x", "y")]),
        "Encounter.type[0]",
    ),
    ("delivered-technique", lambda r: r["basedOn"].pop(), "Procedure.basedOn"),
    ("delivered-technique", lambda r: r.pop("encounter"), "Procedure.encounter"),
    ("delivered-technique", lambda r: r.update(status="not-done"), "Procedure"),
    ("delivered-technique", lambda r: r.pop("extension"), "Procedure"),
    (
        "delivered-technique",
        lambda r: r.update(outcome=coding("urn:x", "good")),
        "Procedure.outcome",
    ),
    ("technique-response", lambda r: r.pop("valueCodeableConcept"), "Observation"),
    ("technique-response", lambda r: r.pop("performer"), "Observation.performer"),
    ("technique-response", lambda r: r["category"].pop(0), "Observation.category"),
    (
        "technique-response",
        lambda r: r.update(
            valueCodeableConcept=coding("https://hyoid.example/fhir/CodeSystem/tolerance", "cough")
        ),
        "Observation",
    ),
    ("technique-response", lambda r: r.pop("partOf"), "Observation"),
    (
        "technique-response",
        lambda r: r["component"].append(r["component"][0]),
        "Observation.component",
    ),
    ("outcome-measure", lambda r: r.pop("effectiveDateTime"), "Observation.effective"),
    ("outcome-measure", lambda r: r["valueQuantity"].pop("code"), "Observation.value.code"),
    (
        "outcome-measure",
        lambda r: r["valueQuantity"].update(system="urn:x"),
        "Observation.value.system",
    ),
    (
        "outcome-measure",
        lambda r: r.update(
            code=coding("https://hyoid.example/fhir/CodeSystem/measure", "tolerance")
        ),
        "Observation.code",
    ),
    (
        "outcome-measure",
        lambda r: r.update(bodySite=coding("http://snomed.info/sct", "21974007")),
        "Observation.bodySite",
    ),
]


def suitable(name: str) -> Resource:
    """One that has everything the changes need."""
    for resource in kept(name):
        codes = {c["code"] for c in resource.get("code", {}).get("coding", ())}
        if name == "technique-response" and "technique-response" not in codes:
            continue
        if name == "delivered-technique" and resource["status"] != "completed":
            continue
        if name == "outcome-measure" and "effectiveDateTime" not in resource:
            continue
        if name == "technique-order" and len(resource["extension"][0]["extension"]) != 5:
            continue
        return copy.deepcopy(resource)
    raise AssertionError(name)


@pytest.mark.parametrize(("name", "change", "place"), BROKEN)
def test_a_breach_is_found_in_its_place(
    name: str, change: Callable[[Resource], Any], place: str
) -> None:
    resource = suitable(name)
    change(resource)
    found = [i for i in profile_issues(resource, [OWN + name]) if i.severity == "error"]
    assert place in {issue.expression for issue in found}, found
    assert len(found) <= 2


def test_nothing_our_profiles_ask_for_is_left_unchecked() -> None:
    for path in mappings("profiles").glob("*.json"):
        profile = shipped_profiles().profile(json.loads(path.read_bytes())["url"])
        assert profile is not None
        assert profile.unchecked == (), path.name


def test_profiles_are_valid_and_have_both_halves() -> None:
    """Source: invariants sdf-1 to sdf-23 of StructureDefinition."""
    for path in mappings("profiles").glob("*.json"):
        raw = json.loads(path.read_bytes())
        assert [i for i in validate(raw) if i.severity == "error"] == [], path.name
        assert raw["differential"]["element"]
        ids = [element["id"] for element in raw["snapshot"]["element"]]
        assert len(set(ids)) == len(ids)
        assert {element["id"] for element in raw["differential"]["element"]} <= set(ids)


def test_snapshots_are_what_the_script_makes(tmp_path: Path) -> None:
    """Source: the official package."""
    scripts = tmp_path / "mappings"
    for folder in ("profiles", "r4"):
        shutil.copytree(mappings(folder), scripts / folder)
    command = [sys.executable, str(scripts / "profiles" / "compile_profiles.py")]
    ran = subprocess.run([*command, str(official.path())], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    for path in mappings("profiles").glob("*.json"):
        assert (scripts / "profiles" / path.name).read_bytes() == path.read_bytes(), path.name


def test_a_snapshot_is_the_base_with_what_is_added() -> None:
    """Source: snapshots of the package: every element of the base is in ours, no wider."""
    for name in NAMES:
        raw = json.loads(mappings("profiles", f"{name}.json").read_bytes())
        ours = {element["id"]: element for element in raw["snapshot"]["element"]}
        base = official.package()[f"StructureDefinition-{raw['type']}"]["snapshot"]["element"]
        for element in base:
            mine = ours[element["id"]]
            assert mine["min"] >= element["min"]
            assert mine["max"] in (element["max"], "0", "1"), element["id"]
            assert {t["code"] for t in mine.get("type", ())} <= {
                t["code"] for t in element.get("type", ())
            }
