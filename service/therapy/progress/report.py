"""The answer as a DiagnosticReport with a narrative that reads without any styling.

Preliminary: a person who may judge it has not signed it. All text that came from outside is
escaped. R4: http://hl7.org/fhir/R4/diagnosticreport.html, http://hl7.org/fhir/R4/narrative.html.
"""

from __future__ import annotations

from typing import Any

from service.therapy.course.course import period_words
from service.therapy.facts import facts
from service.therapy.moments import iso
from service.therapy.progress.answer import Progress
from service.therapy.progress.sections import safe, section, sections
from service.therapy.progress.warnings import DEFER, named

Resource = dict[str, Any]

_PROGRESS_NOTE = {
    "system": "http://loinc.org",
    "code": "11512-1",
    "display": "Speech-language pathology Progress note",
}


def report(progress: Progress, issued: str) -> Resource:
    """The DiagnosticReport."""
    course = progress.course
    first, last = course.first_day, iso(course.last_day)
    period = {"start": iso(first)} if first is not None and first <= course.last_day else {}
    results = [change.latest.reference for change in progress.changes if change.latest]
    found: Resource = {
        "resourceType": "DiagnosticReport",
        "text": {"status": "generated", "div": narrative(progress)},
        "basedOn": [{"reference": course.plan}],
        "status": "preliminary",
        "category": [{"text": "Speech-language pathology"}],
        "code": {"coding": [_PROGRESS_NOTE], "text": "Computed progress of a plan of care"},
        "subject": course.material.plan["subject"],
        "effectivePeriod": period | {"end": last},
        "issued": issued,
    }
    if results:
        found["result"] = [{"reference": name} for name in dict.fromkeys(results)]
    found["conclusion"] = conclusion(progress)
    return found


def conclusion(progress: Progress) -> str:
    """Which measures go which way, and how the goals stand, in two or three sentences."""
    words = []
    for verdict in ("improving", "worsening", "no reliable change", "too few data"):
        names = [named(change) for change in progress.changes if change.verdict == verdict]
        if names:
            words.append(f"{verdict[0].upper()}{verdict[1:]}: {'; '.join(names)}.")
    change = progress.attainment.change
    if change is not None:
        words.append(
            f"Goal attainment T {progress.attainment.achieved:.1f}"
            f" ({change:+.1f} from {progress.attainment.baseline:.1f})."
        )
    if not words:
        words.append("Nothing to be computed from yet.")
    return " ".join([*words, facts("change")["limits"], DEFER])


def narrative(progress: Progress) -> str:
    """The XHTML of all sections that have something to say."""
    title = str(progress.course.material.plan.get("title") or "Plan of care")
    body = [
        f"<h2>Progress: {safe(title)}</h2>",
        f"<p>{safe(period_words(progress.course))}. Computed, not yet judged by a therapist.</p>",
        f"<p>{safe(conclusion(progress))}</p>",
        *section("Cautions", [], [], progress.cautions),
        *sections(progress),
    ]
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{"".join(body)}</div>'
