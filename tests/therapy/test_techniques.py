"""Is every technique told whole, and are its codes right?

Outside sources: the table of the trade's usual practice (issue "The trade's knowledge as data"),
MHRA MDA/2012/020, Rosenbek 1998, Selinger 1994; SNOMED CT codes read on pages of the terminology or
in implementation guides of HL7; HL7 codes from the official R4 package.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.data import mappings
from service.standard.validation import validate
from service.therapy.references import EXTENSIONS, TECHNIQUES
from service.therapy.techniques import (
    Catalogue,
    Technique,
    catalogue,
    codes_of,
    extensions_of,
    stimulus_facts,
    technique_of,
)
from tests.official import package

FILES = sorted(mappings("techniques").glob("*.json"))

TABLE = (
    "perioral-pressure-stretch",
    "perioral-taps",
    "lip-ring-circles",
    "lip-spread-strokes",
    "weak-side-lip-strokes",
    "faucial-cold-strokes",
    "palate-oval-strokes",
    "palate-vertical-strokes",
    "tongue-base-strokes",
    "palate-stroke-chin-feel",
    "tongue-midline-strokes",
    "tongue-sides-to-middle",
    "tongue-edge-glides",
    "tongue-blade-rapid-strokes",
    "under-tongue-strokes",
    "tongue-deviation-strokes",
)
BEHAVIOURAL = (
    "effortful-swallow",
    "tongue-hold-swallow",
    "head-lift",
    "supraglottic-swallow",
    "tongue-press-resistance",
    "lip-closure-resistance",
    "mirror-symmetry",
    "slow-rate-overarticulation",
)
SNOMED = {
    "74262004": "Oral cavity structure",
    "81083006": "Both lips (body structure)",
    "21974007": "Tongue structure (body structure)",
    "47975008": "Structure of root of tongue (body structure)",
    "49460000": "Soft palate structure (body structure)",
    "54066008": "Pharyngeal structure (body structure)",
    "89545001": "Face structure",
}
"""Body structures read in published value sets of HL7 and national guides, terms unaltered."""
ICF = {"b510", "b320"}
"""ICF domains read in HL7's Personal Functioning and Engagement guide; without WHO's titles."""
UCUM = {"s", "min", "{count}"}


def _definition(code: str) -> dict[str, Any]:
    return catalogue_by_id()[code].definition


def catalogue_by_id() -> dict[str, Technique]:
    return {each.definition["id"]: each for each in catalogue().techniques}


def _dose(definition: dict[str, Any]) -> dict[str, Any]:
    (dose,) = extensions_of(definition, "dose")
    return {
        part["url"]: next(value for key, value in part.items() if key != "url")
        for part in dose["extension"]
    }


def _codings(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        if "system" in value and "code" in value:
            yield value
        for each in value.values():
            yield from _codings(each)
    elif isinstance(value, list):
        for each in value:
            yield from _codings(each)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_technique_is_told_whole(path: Path) -> None:
    definition = json.loads(path.read_bytes())
    found = technique_of(definition)
    assert definition["id"] == path.stem
    assert definition["url"] == f"https://hyoid.example/fhir/ActivityDefinition/{path.stem}"
    assert (TECHNIQUES, path.stem) in found.codes
    assert definition["kind"] == "ServiceRequest"
    assert definition["description"]
    assert found.stimuli
    assert found.motions
    assert found.regions
    assert found.wanted
    assert found.grade in {"mixed", "insufficient", "not-graded", "practice-only"}
    repeat = definition["timingTiming"]["repeat"]
    assert repeat["frequency"] <= repeat["frequencyMax"]
    dose = _dose(definition)
    assert dose["minutes"]["value"] == repeat["duration"]
    assert dose["rest"]["value"] > 0
    assert dose["sets"] > 0
    assert "strokesPerSide" in dose or "repetitions" in dose
    assert {part["type"] for part in definition["participant"]} == {"practitioner", "patient"}
    assert [issue for issue in validate(definition) if issue.code != "invariant"] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_what_always_holds_is_said_of_every_technique(path: Path) -> None:
    usage = json.loads(path.read_bytes())["usage"]
    for words in (
        "a fresh item for each technique",
        "the functional task after the stimulus",
        "ask the client which was easier",
        "water only for a client who may have it",
        "time between rounds",
        "Defer to local rules and the licensed therapist.",
    ):
        assert words in usage


@pytest.mark.parametrize("code", [*TABLE, *BEHAVIOURAL])
def test_technique_is_in_the_catalogue_with_its_task(code: str) -> None:
    found = catalogue_by_id()[code]
    assert found.tasks
    assert all(catalogue().at(task) is not None for task in found.tasks)


@pytest.mark.parametrize("code", TABLE)
def test_evidence_of_sensory_techniques_is_called_limited_and_mixed(code: str) -> None:
    definition = _definition(code)
    (evidence,) = extensions_of(definition, "evidence")
    statement = evidence["extension"][1]["valueString"].lower()
    assert "limited and mixed" in statement
    assert "ineffective" not in statement
    assert [each for each in definition["relatedArtifact"] if each["type"] == "citation"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_source_is_a_citation_or_said_to_be_none(path: Path) -> None:
    definition = json.loads(path.read_bytes())
    (source,) = (a for a in definition["relatedArtifact"] if a["type"] == "derived-from")
    found = technique_of(definition)
    if found.grade == "not-graded":
        assert "literature" in source["display"]
    else:
        assert source["display"] == "Common practice, no source"


def test_every_technique_with_a_swab_carries_the_safety_alert() -> None:
    """Source: MHRA MDA/2012/020."""
    with_swab = 0
    for found in catalogue().techniques:
        facts = [stimulus_facts()[code] for code in found.stimuli]
        alerts = [
            each["citation"]
            for each in found.definition["relatedArtifact"]
            if each.get("label") == "Safety alert"
        ]
        if not any("swab" in each for each in facts):
            assert not alerts
            continue
        with_swab += 1
        (alert,) = alerts
        assert "MDA/2012/020" in alert
        assert "never leave it soaking" in alert
        assert "one-piece cold probe or a metal spoon is the stimulus of choice" in alert
        # The swab never comes first.
        assert "swab" not in facts[0]
        assert "bite-reflex" in found.cautions
    assert with_swab >= 10


def test_dose_of_cold_strokes_lies_within_what_was_studied() -> None:
    """Source: Rosenbek 1998: 150 to 600 trials a week; Selinger 1994: six seconds."""
    definition = _definition("faucial-cold-strokes")
    dose, repeat = _dose(definition), definition["timingTiming"]["repeat"]
    assert (dose["sets"], dose["strokesPerSide"]) == (2, 5)
    assert 150 <= dose["trials"] * repeat["frequency"] <= 600
    assert dose["trials"] * repeat["frequencyMax"] <= 600
    assert "six seconds" in definition["description"]
    cited = " ".join(each.get("citation", "") for each in definition["relatedArtifact"])
    assert "Dysphagia 13:1-9" in cited
    assert "Dysphagia 9:83-87" in cited


@pytest.mark.parametrize(
    ("code", "part", "value"),
    [
        ("lip-spread-strokes", "strokesPerSide", 3),
        ("palate-oval-strokes", "strokesPerSide", 3),
        ("tongue-midline-strokes", "strokesPerSide", 3),
        ("tongue-edge-glides", "strokesPerSide", 3),
        ("under-tongue-strokes", "strokesPerSide", 5),
    ],
)
def test_usual_number_of_strokes_is_that_of_the_table(code: str, part: str, value: int) -> None:
    assert _dose(_definition(code))[part] == value


@pytest.mark.parametrize(
    ("code", "order"),
    [
        ("perioral-pressure-stretch", "weaker-longer"),
        ("weak-side-lip-strokes", "towards-weaker"),
        ("palate-vertical-strokes", "weaker-stronger-middle"),
        ("tongue-base-strokes", "towards-stronger"),
        ("tongue-deviation-strokes", "weaker-first"),
    ],
)
def test_order_of_sides_is_that_of_the_table(code: str, order: str) -> None:
    assert _dose(_definition(code))["sideOrder"]["code"] == order


def test_tongue_hold_is_done_without_food_or_drink() -> None:
    found = catalogue_by_id()["tongue-hold-swallow"]
    assert "never done with food or drink" in found.definition["description"]
    assert all("by-mouth" not in stimulus_facts()[code] for code in found.stimuli)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_codes_are_ours_or_verified(path: Path) -> None:
    ours = {
        (system["url"], concept["code"]): concept["display"]
        for each in mappings("code-systems").glob("*.json")
        for system in [json.loads(each.read_bytes())]
        for concept in system["concept"]
    }
    for coding in _codings(json.loads(path.read_bytes())):
        system, code, display = coding["system"], coding["code"], coding.get("display")
        if system.startswith("https://hyoid.example/"):
            assert ours[system, code] == display
        elif system == "http://snomed.info/sct":
            assert SNOMED[code] == display
        elif system == "http://hl7.org/fhir/sid/icf":
            assert code in ICF
            assert display is None
        elif system == "http://unitsofmeasure.org":
            assert code in UCUM
        else:
            assert system.startswith(("http://terminology.hl7.org/", "http://hl7.org/fhir/"))


def test_topics_are_those_of_the_official_code_system() -> None:
    """Source: CodeSystem definition-topic of hl7.fhir.r4.core 4.0.1."""
    official = {
        concept["code"]: concept["display"]
        for concept in package()["CodeSystem-definition-topic"]["concept"]
    }
    for found in catalogue().techniques:
        coding = found.definition["topic"][0]["coding"][0]
        assert official[coding["code"]] == coding["display"]


def test_every_code_of_the_technique_system_has_its_file_and_none_is_alone() -> None:
    system = json.loads(mappings("code-systems", "technique.json").read_bytes())
    assert {concept["code"] for concept in system["concept"]} == {path.stem for path in FILES}
    assert len(FILES) >= 24


def test_words_of_safety_are_never_an_all_clear() -> None:
    texts = [
        path.read_text(encoding="utf-8").lower()
        for folder in ("techniques", "plan-templates", "cautions")
        for path in mappings(folder).glob("*.json")
    ]
    for text in texts:
        for words in ("safe to swallow", "is safe", "no risk", "harmless", "cleared for"):
            assert words not in text


def test_technique_of_a_clinic_is_found_by_its_code_and_its_url() -> None:
    own = {
        "resourceType": "ActivityDefinition",
        "url": "https://clinic.example/fhir/ActivityDefinition/hum",
        "title": "Humming",
        "status": "active",
        "code": {"coding": [{"system": "https://clinic.example/codes", "code": "hum"}]},
        "extension": [
            {
                "url": f"{EXTENSIONS}technique-caution",
                "valueCodeableConcept": {"coding": [{"system": "any", "code": "breath-holding"}]},
            }
        ],
    }
    known = catalogue().with_more([own])
    order = {"code": {"coding": [{"system": "https://clinic.example/codes", "code": "hum"}]}}
    found = known.of(order)
    assert found is not None
    assert found.cautions == {"breath-holding"}
    assert known.at(f"{own['url']}|2.0") is found
    assert catalogue().of(order) is None
    assert isinstance(Catalogue([]).with_more([]), Catalogue)


def test_definition_that_says_little_leaves_the_rest_empty() -> None:
    found = technique_of({"resourceType": "ActivityDefinition", "status": "draft"})
    assert (found.url, found.title, found.stimuli, found.grade) == ("", "", (), "")
    assert codes_of(None) == []
