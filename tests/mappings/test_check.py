"""`hyoid mappings check`: our folder is clean, and each thing that can be wrong is found."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.commands.mappings_check import findings_in
from service.data import mappings
from tests.live import hyoid_here

OWN = "https://hyoid.example/fhir/"
SNOMED = "http://snomed.info/sct"

Change = Callable[[dict[str, Any]], Any]


def test_nothing_is_wrong_in_our_mappings() -> None:
    assert [str(finding) for finding in findings_in(mappings())] == []


def test_the_command_tells_and_its_exit_code_too(tmp_path: Path) -> None:
    assert hyoid_here("mappings", "check").returncode == 0
    root = copied(tmp_path)
    for content in ("{", "[]", "{}"):
        (root / "code-systems" / "phase.json").write_text(content, "utf-8")
        done = hyoid_here("mappings", "check", "--folder", str(root))
        assert done.returncode == 1
        assert "code-systems/phase.json" in done.stdout


def copied(folder: Path) -> Path:
    ignored = shutil.ignore_patterns(".mypy_cache", "__pycache__")
    return Path(shutil.copytree(mappings(), folder / "mappings", ignore=ignored))


def first_concept(resource: dict[str, Any]) -> dict[str, Any]:
    concept: dict[str, Any] = resource["compose"]["include"][0]["concept"][0]
    return concept


def without_binding(resource: dict[str, Any], value_set: str) -> None:
    for half in ("differential", "snapshot"):
        for element in resource[half]["element"]:
            if element.get("binding", {}).get("valueSet") == value_set:
                del element["binding"]


def first_target(resource: dict[str, Any]) -> dict[str, Any]:
    target: dict[str, Any] = resource["group"][0]["element"][0]["target"][0]
    return target


WRONG: dict[str, tuple[str, Change, str]] = {
    "a code that is not there": (
        "value-sets/laterality.json",
        lambda r: first_concept(r).update(code="7771001"),
        "no code '7771001'",
    ),
    "a display that is another": (
        "value-sets/laterality.json",
        lambda r: first_concept(r).update(display="Left"),
        "is called 'Left'",
    ),
    "a title of WHO": (
        "value-sets/icf-domain.json",
        lambda r: first_concept(r).update(display="x"),
        "no verified display",
    ),
    "a system that is not held": (
        "value-sets/laterality.json",
        lambda r: r["compose"]["include"][0].update(system="urn:none"),
        "not held",
    ),
    "a value set without codes": (
        "value-sets/phase.json",
        lambda r: r["compose"].update(exclude=[r["compose"]["include"][0]]),
        "has no codes",
    ),
    "a canonical that leads nowhere": (
        "profiles/stimulus.json",
        lambda r: r["differential"]["element"][3]["binding"].update(valueSet=f"{OWN}ValueSet/none"),
        "leads nowhere",
    ),
    "a target that is not there": (
        "concept-maps/oral-region-to-snomed-ct.json",
        lambda r: first_target(r).update(code="74262005"),
        "no code '74262005'",
    ),
    "a target outside the value set": (
        "concept-maps/oral-region-to-snomed-ct.json",
        lambda r: first_target(r).update(code="40739000", display="Dysphagia (disorder)"),
        "not in the target value set",
    ),
    "a source display that is another": (
        "concept-maps/oral-region-to-snomed-ct.json",
        lambda r: r["group"][0]["element"][0].update(display="Snout"),
        "is called 'Snout'",
    ),
    "a property that leads nowhere": (
        "code-systems/technique.json",
        lambda r: r["concept"][0]["property"][0].update(valueCode="elbow"),
        "no code 'elbow'",
    ),
    "a property that is not declared": (
        "code-systems/technique.json",
        lambda r: r["concept"][0]["property"][0].update(code="colour"),
        "not declared",
    ),
    "a property of another type": (
        "code-systems/response.json",
        lambda r: r["concept"][0].update(property=[{"code": "rank", "valueString": "3"}]),
        "declared type",
    ),
    "a wrong count": ("code-systems/phase.json", lambda r: r.update(count=9), "concepts"),
    "a code twice": (
        "code-systems/phase.json",
        lambda r: r["concept"].append(r["concept"][0]),
        "twice",
    ),
    "another id than the file has": (
        "code-systems/phase.json",
        lambda r: r.update(id="phases"),
        "name of the file",
    ),
    "a url twice": (
        "value-sets/tone.json",
        lambda r: r.update(url=f"{OWN}ValueSet/phase"),
        "is that of",
    ),
    "no notice": ("value-sets/laterality.json", lambda r: r.pop("copyright"), "no notice"),
    "an orphaned code system": (
        "value-sets/tone.json",
        lambda r: r["compose"]["include"][0].update(system=f"{OWN}CodeSystem/phase"),
        "no value set includes",
    ),
    "an orphaned value set": (
        "profiles/technique-response.json",
        lambda r: without_binding(r, f"{OWN}ValueSet/response-count"),
        "nothing refers to this value set",
    ),
    "a code that nothing uses": (
        "code-systems/fragments/loinc.json",
        lambda r: r["concept"].append({"code": "1-8", "display": "x"}),
        "nothing uses",
    ),
    "what is no FHIR": ("value-sets/phase.json", lambda r: r.update(status="bogus"), "bogus"),
    "a profile that is not checked": (
        "profiles/therapy-goal.json",
        lambda r: r["differential"]["element"].append(
            {"id": "Goal.note.text", "path": "Goal.note.text", "maxValueInteger": 3}
        ),
        "would not check",
    ),
    "an extension where it may not stand": (
        "techniques/effortful-swallow.json",
        lambda r: r["extension"].append({"url": f"{OWN}StructureDefinition/tolerance"}),
        "may stand in",
    ),
    "only codes of grade B": (
        "profiles/therapy-plan.json",
        lambda r: r.update(jurisdiction=[{"coding": [{"system": SNOMED, "code": "40739000"}]}]),
        "grade B",
    ),
    "a wrong ICD-10-CM display": (
        "code-systems/fragments/icd-10-cm.json",
        lambda r: r["concept"][0].update(display="x"),
        "tabular list",
    ),
    "a technique that is not defined": (
        "code-systems/technique.json",
        lambda r: r["concept"].append({"code": "handstand", "display": "x"}),
        "no ActivityDefinition",
    ),
}


@pytest.mark.parametrize(("file", "change", "told"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_found(file: str, change: Change, told: str, tmp_path: Path) -> None:
    if "icd-10-cm" in file:
        pytest.importorskip("simple_icd_10_cm")
    root = copied(tmp_path)
    path = root / file
    resource = json.loads(path.read_bytes())
    change(resource)
    path.write_text(json.dumps(resource), "utf-8")
    found = findings_in(root)
    assert any(told in finding.text for finding in found), [str(f) for f in found][:5]
