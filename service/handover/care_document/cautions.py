"""Section: what has to be looked out for? Flags, detected issues, allergies, diet, and numbers.

It says what is recorded and what the numbers warn of, never that something is safe; each caution
leaves the decision to local rules and the licensed therapist.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.handover.care_document.markup import listing, paragraph, table
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.section import Section
from service.handover.care_document.words import (
    code_words,
    concepts,
    date_words,
    said,
    time_words,
)
from service.therapy.progress.warnings import DEFER
from service.therapy.references import named

_WRONG = frozenset({"entered-in-error", "cancelled"})
NO_ALLERGY = "No allergy or intolerance is recorded; that is no statement that there is none."
NO_CAUTION = "No caution is recorded or computed; that is no statement that there is none."


def cautions(material: Material) -> Section:
    """Everything that warns, the most pressing first."""
    flags = [flag for flag in material.of["Flag"] if flag.get("status") == "active"]
    issues = [one for one in material.of["DetectedIssue"] if one.get("status") not in _WRONG]
    allergies, diets = material.of["AllergyIntolerance"], orders_in_force(material)
    told = cautions_told(material)
    body = [
        *([] if told else [paragraph(NO_CAUTION)]),
        *listing(told),
        *table("Issues detected", _ISSUES, map(_issue_row, issues)),
        *table("Allergies and intolerances", ALLERGY_HEADS, map(allergy_row, allergies)),
        *([] if allergies else [paragraph(NO_ALLERGY)]),
        *table("Diet as ordered now", _DIETS, map(diet_row, diets)),
        paragraph(DEFER),
    ]
    entries = [named(one) for one in [*flags, *issues, *allergies, *diets]]
    return Section(
        "cautions-allergies",
        "Cautions and allergies",
        ("48765-2", "Allergies and adverse reactions Document"),
        body if told or entries or material.of["Flag"] else [],
        entries,
        "unavailable",
        f"{NO_CAUTION} {NO_ALLERGY} {DEFER}",
    )


def cautions_told(material: Material) -> list[str]:
    """What is recorded as active flag or issue, and what the numbers of the plan warn of, each
    once. Of a plan that is over the flags stand all the same."""
    return [_shortened(text) for text in material.progress.cautions]


def orders_in_force(material: Material) -> list[Resource]:
    """Diet orders that hold now."""
    return [one for one in material.of["NutritionOrder"] if one.get("status") == "active"]


_ISSUES = ["Issue", "Found", "Severity", "What was done"]
ALLERGY_HEADS = ["To what", "Kind", "Criticality", "State", "Reactions", "Note"]
_DIETS = ["Food", "Fluids", "Instruction", "Since"]


def diet_row(order: Resource) -> list[str]:
    """A diet order: textures, fluids, instruction, since when."""
    diet = order.get("oralDiet") or {}
    textures = [said(row.get("modifier")) for row in diet.get("texture", ())]
    return [
        ", ".join(text for text in [concepts(diet.get("type")), *textures] if text),
        concepts(diet.get("fluidConsistencyType")),
        str(diet.get("instruction") or ""),
        date_words(order.get("dateTime")),
    ]


def _issue_row(issue: Resource) -> list[str]:
    found = issue.get("identifiedDateTime") or (issue.get("identifiedPeriod") or {}).get("start")
    done = [said(one.get("action")) for one in issue.get("mitigation", ())]
    return [
        str(issue.get("detail") or said(issue.get("code"))),
        time_words(found),
        code_words(issue.get("severity")),
        ", ".join(text for text in done if text),
    ]


def allergy_row(allergy: Resource) -> list[str]:
    """To what, kind, criticality, state, reactions, note."""
    reactions = [
        concepts(reaction.get("manifestation")) for reaction in allergy.get("reaction", ())
    ]
    state = (said(allergy.get("clinicalStatus")), said(allergy.get("verificationStatus")))
    kind = (code_words(allergy.get("type")), *allergy.get("category", ()))
    return [
        said(allergy.get("code")),
        _joined(kind),
        code_words(allergy.get("criticality")),
        _joined(state),
        _joined(reactions),
        _joined(str(note.get("text", "")) for note in allergy.get("note", ())),
    ]


def _joined(texts: Iterable[str]) -> str:
    return ", ".join(text for text in texts if text)


def _shortened(text: str) -> str:
    """Without the sentence that stands once at the end of the section."""
    return text.removesuffix(DEFER).strip() or text
