"""Which codes does the clinic use? Ours from mappings/code-systems, and a few standard ones.

Standard codes were checked in the official R4 package or on the terminology's own pages. SNOMED CT
codes marked "second hand" were read in published value sets only, so they stand beside a text or
another code. ICF titles are WHO's and are left out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

Json = dict[str, Any]

OWN = "https://hyoid.example/fhir/CodeSystem/"
EXTENSION = "https://hyoid.example/fhir/StructureDefinition/"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
ICD10CM = "http://hl7.org/fhir/sid/icd-10-cm"
ICF = "http://hl7.org/fhir/sid/icf"
UCUM = "http://unitsofmeasure.org"
HL7 = "http://terminology.hl7.org/CodeSystem/"
US_CORE = "http://hl7.org/fhir/us/core/CodeSystem/us-core-category"

_FOLDER = Path(__file__).resolve().parents[2] / "mappings" / "code-systems"

_SNOMED: Mapping[str, str | None] = {
    "48477009": "Lip structure (body structure)",
    "81083006": "Both lips (body structure)",
    "21974007": "Tongue structure (body structure)",
    "47975008": "Structure of root of tongue (body structure)",
    "49460000": "Soft palate structure (body structure)",
    "54066008": "Pharyngeal structure (body structure)",
    "74262004": "Oral cavity structure",
    "734163000": "Care plan (record artifact)",
    "394602003": "Rehabilitation",
    # second hand:
    "40739000": "Dysphagia (disorder)",
    "8011004": "Dysarthria (finding)",
    "95666008": "Weakness of face muscles (finding)",
    "398152000": "Poor muscle tone (finding)",
    "62718007": "Dribbling from mouth (finding)",
    "418085001": "Allergy to citrus fruit",
    "159026005": "Speech and language therapist (occupation)",
    "241149003": "Videofluoroscopy swallow (procedure)",
    "1237442003": (
        "International Dysphagia Diet Standardisation Initiative Framework - Mildly Thick Level 2"
    ),
    "1237448004": (
        "International Dysphagia Diet Standardisation Initiative Framework"
        " - Minced and Moist Level 5"
    ),
    "1237447009": (
        "International Dysphagia Diet Standardisation Initiative Framework"
        " - Pureed Level 4 (qualifier value)"
    ),
    # full term not seen, so without a display:
    "1231508001": None,
    "1237449007": None,
}

_REGION_SITES: Mapping[str, str] = {
    "mouth": "74262004",
    "lips": "81083006",
    "tongue": "21974007",
    "tongue-base": "47975008",
    "soft-palate": "49460000",
    "pharynx": "54066008",
}
"""Our regions that are the same place as a SNOMED CT body structure."""


class Measure(NamedTuple):
    """A thing measured: codings, UCUM unit, better direction, ends of its scale, ICF domain."""

    codings: tuple[Json, ...]
    unit: str
    direction: str
    minimum: float | None
    maximum: float | None
    domain: str | None = None


_STANDARD_MEASURES: Mapping[str, Measure] = {
    "body-weight": Measure(
        ({"system": LOINC, "code": "29463-7", "display": "Body Weight"},), "kg", "neither", 0, None
    ),
    "oxygen-saturation": Measure(
        (
            {
                "system": LOINC,
                "code": "2708-6",
                "display": "Oxygen saturation in Arterial blood",
            },
            {
                "system": LOINC,
                "code": "59408-5",
                "display": "Oxygen saturation in Arterial blood by Pulse oximetry",
            },
        ),
        "%",
        "increase",
        0,
        100,
    ),
}

VITAL_SIGNS = frozenset(_STANDARD_MEASURES)


@cache
def _concepts(name: str) -> Mapping[str, Json]:
    """The concepts of one of our code systems by code."""
    content = json.loads((_FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return {concept["code"]: concept for concept in content["concept"]}


def own(name: str, code: str) -> Json:
    """A Coding of one of our code systems; KeyError where there is no such code."""
    return {"system": OWN + name, "code": code, "display": _concepts(name)[code]["display"]}


def snomed(code: str) -> Json:
    """A SNOMED CT Coding with its unaltered term where that was seen."""
    term = _SNOMED[code]
    return {"system": SNOMED, "code": code} | ({"display": term} if term else {})


def icd(code: str, display: str) -> Json:
    """An ICD-10-CM Coding."""
    return {"system": ICD10CM, "code": code, "display": display}


def icf(code: str) -> Json:
    """An ICF Coding, without WHO's title."""
    return {"system": ICF, "code": code}


def hl7(name: str, code: str, display: str) -> Json:
    """A Coding of an HL7 code system on terminology.hl7.org."""
    return {"system": HL7 + name, "code": code, "display": display}


def keeping(profile: str) -> Json:
    """Meta of a resource that keeps to one of our profiles."""
    return {"profile": [EXTENSION + profile]}


def concept(*codings: Json, text: str | None = None) -> Json:
    """A CodeableConcept; its text is that of the first coding where none is given."""
    found: Json = {"coding": list(codings)} if codings else {}
    label = text or next((c["display"] for c in codings if "display" in c), None)
    return found | ({"text": label} if label else {})


def region(code: str) -> Json:
    """An oral region as a body site, with the SNOMED CT structure where it is the same place."""
    same = _REGION_SITES.get(code)
    return concept(own("oral-region", code), *([snomed(same)] if same else []))


@cache
def measure(code: str) -> Measure:
    """A measure by its code: one of ours, `body-weight` or `oxygen-saturation`."""
    if code in _STANDARD_MEASURES:
        return _STANDARD_MEASURES[code]
    facts = {
        item["code"]: next(value for key, value in item.items() if key.startswith("value"))
        for item in _concepts("measure")[code]["property"]
    }
    return Measure(
        (own("measure", code),),
        facts["unit"],
        facts["direction"],
        facts.get("minimum"),
        facts.get("maximum"),
        facts["icf"]["code"] if "icf" in facts else None,
    )
