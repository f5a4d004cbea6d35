"""What do the sections of a patient summary say?

International Patient Summary 2.0, Composition-uv-ips and the page Empty Sections and Missing Data:
problems, allergies and medications are always there; another section only where there is something
to say. Nothing recorded is told as that, with an emptyReason, and never as a known absence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from service.handover.care_document.cautions import ALLERGY_HEADS, NO_ALLERGY, allergy_row
from service.handover.care_document.markup import Node, paragraph, table
from service.handover.care_document.problems import PROBLEM_HEADS, is_over, problem_row
from service.handover.care_document.section import Section
from service.handover.care_document.words import (
    amount_words,
    code_words,
    concepts,
    date_words,
    period_words,
    said,
    time_words,
)
from service.therapy.references import Resource, named

KINDS = ("AllergyIntolerance", "CarePlan", "Condition", "Flag", "Observation", "Procedure")
NO_PROBLEM = "No problem is recorded; that is no statement that there is none."
NO_MEDICATION = (
    "This service keeps no medications; that is no statement that none are taken. Ask the client or"
    " whoever prescribes."
)
_MEASURED = frozenset({"final", "amended", "corrected"})
_OF_OTHER_SECTIONS = frozenset({"social-history", "vital-signs"})
_LATEST = "The latest of each kind; {left} earlier ones are in the record."

Record = Mapping[str, Sequence[Resource]]
"""What is the client's own, by type, in the order in which it was stored."""


def summary_sections(record: Record) -> list[Section]:
    """The sections in the order of the guide, empty ones only where the guide wants them."""
    found = [write(record) for write in _SECTIONS]
    return [section for section in found if section.body or section.loinc in _REQUIRED]


def _problems(record: Record) -> Section:
    now = [one for one in record["Condition"] if not is_over(one)]
    rows = table("Problems", PROBLEM_HEADS, map(problem_row, now))
    return _section("Problems", PROBLEMS, rows, now, NO_PROBLEM)


def _past_problems(record: Record) -> Section:
    over = [one for one in record["Condition"] if is_over(one)]
    rows = table("Past problems", PROBLEM_HEADS, map(problem_row, over))
    return _section("Past problems", ("11348-0", ""), rows, over)


def _allergies(record: Record) -> Section:
    found = record["AllergyIntolerance"]
    rows = table("Allergies and intolerances", ALLERGY_HEADS, map(allergy_row, found))
    return _section("Allergies and intolerances", ALLERGIES, rows, found, NO_ALLERGY)


def _medications(_: Record) -> Section:
    return _section("Medications", MEDICATIONS, [], [], NO_MEDICATION)


def _alerts(record: Record) -> Section:
    found = [one for one in record["Flag"] if one.get("status") == "active"]
    rows = table("Alerts", ["Alert", "When"], map(_flag_row, found))
    return _section("Alerts", ("104605-1", ""), rows, found)


def _results(record: Record) -> Section:
    measured = [one for one in _measured(record) if not _categories(one) & _OF_OTHER_SECTIONS]
    return _observed("Results", ("30954-2", ""), measured)


def _vital_signs(record: Record) -> Section:
    measured = [one for one in _measured(record) if "vital-signs" in _categories(one)]
    return _observed("Vital signs", ("8716-3", ""), measured)


def _social_history(record: Record) -> Section:
    measured = [one for one in _measured(record) if "social-history" in _categories(one)]
    return _observed("Social history", ("29762-2", ""), measured)


def _functional_status(record: Record) -> Section:
    """Told in words only: the guide wants other types than Observation as entries here, and the
    values themselves are among the results."""
    found = [one for one in _measured(record) if "functional-status" in _categories(one)]
    section = _observed("Functional status", _FUNCTION, found)
    return _section(section.title, _FUNCTION, section.body, [])


def _procedures(record: Record) -> Section:
    done = [one for one in record["Procedure"] if one.get("status") in ("completed", "in-progress")]
    latest = _latest(done, "performed")
    rows = table("Procedures", ["Procedure", "Last", "State"], map(_procedure_row, latest))
    code = ("47519-4", "History of Procedures Document")
    return _section("Procedures", code, _counted(rows, done, latest), latest)


def _plans(record: Record) -> Section:
    found = [one for one in record["CarePlan"] if one.get("status") in ("active", "on-hold")]
    rows = table("Plans of care", ["Plan", "State", "Time", "In short"], map(_plan_row, found))
    return _section("Plan of care", ("18776-5", "Plan of treatment (narrative)"), rows, found)


PROBLEMS = ("11450-4", "Problem List")
ALLERGIES = ("48765-2", "Allergies and adverse reactions Document")
MEDICATIONS = ("10160-0", "")
_FUNCTION = ("47420-5", "Functional status assessment note")
_REQUIRED = frozenset({PROBLEMS, ALLERGIES, MEDICATIONS})
_SECTIONS: tuple[Callable[[Record], Section], ...] = (
    _problems,
    _allergies,
    _medications,
    _results,
    _procedures,
    _alerts,
    _functional_status,
    _past_problems,
    _plans,
    _social_history,
    _vital_signs,
)


def _section(
    title: str,
    loinc: tuple[str, str],
    body: Sequence[Node],
    found: Iterable[Resource],
    nothing: str = "",
) -> Section:
    entries = [named(one) for one in found]
    return Section(None, title, loinc, body, entries, "unavailable", nothing)


def _observed(title: str, loinc: tuple[str, str], found: Sequence[Resource]) -> Section:
    latest = _latest(found, "effective")
    rows = table(title, ["What", "Value", "When", "Reading"], map(_observation_row, latest))
    return _section(title, loinc, _counted(rows, found, latest), latest)


def _counted(rows: list[Node], found: Sequence[Resource], latest: Sequence[Resource]) -> list[Node]:
    left = len(found) - len(latest)
    return [*rows, paragraph(_LATEST.format(left=left))] if left else rows


def _measured(record: Record) -> list[Resource]:
    return [one for one in record["Observation"] if one.get("status") in _MEASURED]


def _categories(resource: Resource) -> set[str]:
    listed = resource.get("category", ())
    return {str(c.get("code")) for concept in listed for c in concept.get("coding", ())}


def _latest(found: Iterable[Resource], element: str) -> list[Resource]:
    """Of each kind the one of the latest time, in the order in which the kinds were first met."""
    latest: dict[tuple[str, str], Resource] = {}
    for one in found:
        kind = (_kind(one.get("code")), repr(one.get("bodySite")))
        if kind not in latest or _moment(one, element) >= _moment(latest[kind], element):
            latest[kind] = one
    return list(latest.values())


def _kind(concept: Resource | None) -> str:
    codings = [(c.get("system", ""), c.get("code")) for c in (concept or {}).get("coding", ())]
    return repr(codings[0] if codings else said(concept))


def _moment(resource: Resource, element: str) -> str:
    period = resource.get(f"{element}Period") or {}
    stated = resource.get(f"{element}DateTime") or resource.get(f"{element}Instant")
    return str(stated or period.get("end") or period.get("start") or "")


def _observation_row(found: Resource) -> list[str]:
    parts = [f"{said(part.get('code'))}: {_value(part)}" for part in found.get("component", ())]
    value = _value(found)
    return [
        said(found.get("code")),
        "; ".join(text for text in (value, *parts) if text),
        time_words(_moment(found, "effective")),
        concepts(found.get("interpretation")),
    ]


def _value(found: Resource) -> str:
    for name in ("valueString", "valueDateTime", "valueTime", "valueInteger", "valueBoolean"):
        if name in found:
            return str(found[name])
    if "valueCodeableConcept" in found:
        return said(found["valueCodeableConcept"])
    return amount_words(found.get("valueQuantity")) or said(found.get("dataAbsentReason"))


def _procedure_row(found: Resource) -> list[str]:
    when = time_words(_moment(found, "performed"))
    return [said(found.get("code")), when, code_words(found.get("status"))]


def _flag_row(found: Resource) -> list[str]:
    return [said(found.get("code")), period_words(found.get("period"))]


def _plan_row(found: Resource) -> list[str]:
    title = str(
        found.get("title") or concepts(found.get("category")) or date_words(found.get("created"))
    )
    state = code_words(found.get("status"))
    return [title, state, period_words(found.get("period")), str(found.get("description") or "")]
