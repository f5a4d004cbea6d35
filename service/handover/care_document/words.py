"""How are dates, numbers, codes and people told to people?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.standard.terminology.shipped import shipped
from service.therapy.course.doses import Dose
from service.therapy.moments import iso
from service.therapy.quantities import shown

Resource = dict[str, Any]

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def date_words(text: str | None) -> str:
    """A FHIR date, dateTime or instant as `2 March 2026`; the day on the clock of the place."""
    if not text or (len(text) not in (4, 7) and len(text) < 10):
        return ""
    year, month = text[:4], text[5:7]
    if not month:
        return year
    name = f"{_MONTHS[int(month) - 1]} {year}"
    return name if len(text) == 7 else f"{int(text[8:10])} {name}"


def time_words(text: str | None) -> str:
    """The same with the time of day as written, where there is one."""
    if not text or len(text) <= 16:
        return date_words(text)
    zone = " UTC" if text.endswith(("Z", "+00:00")) else ""
    return f"{date_words(text)}, {text[11:16]}{zone}"


def day_words(day: float | None) -> str:
    """A day by its number."""
    return "" if day is None else date_words(iso(day))


def span_words(first: str, last: str) -> str:
    """From when to when, in words that are already dates."""
    if first and last:
        return f"{first} to {last}"
    return f"from {first}" if first else f"until {last}" if last else ""


def period_words(period: Mapping[str, Any] | None) -> str:
    """A Period."""
    given = period or {}
    return span_words(date_words(given.get("start")), date_words(given.get("end")))


def amount_words(quantity: Mapping[str, Any] | None) -> str:
    """A Quantity as it was written."""
    if not quantity or "value" not in quantity:
        return ""
    unit = quantity.get("unit") or quantity.get("code") or ""
    return f"{quantity.get('comparator', '')}{quantity['value']} {unit}".strip()


def number_words(number: float | None, unit: str = "") -> str:
    """A computed number, to three digits."""
    return shown(number) if number is None else f"{shown(number)} {unit_words(unit)}".strip()


def unit_words(unit: str) -> str:
    """A UCUM unit without the braces of an annotation: `{score}` are points."""
    return "points" if unit == "{score}" else unit.replace("{", "").replace("}", "")


def called(coding: Mapping[str, Any] | None) -> str:
    """What a Coding is called: its display, else that of the code systems that come with the
    service, else the code."""
    given = coding or {}
    if not given.get("display") and given.get("code"):
        system = shipped().code_system(str(given.get("system", "")))
        concept = system.find(str(given["code"])) if system else None
        if concept is not None and concept.display:
            return str(concept.display)
    return str(given.get("display") or given.get("code") or "not named")


def said(concept: Mapping[str, Any] | None) -> str:
    """What a CodeableConcept says: its text, else what its first coding is called."""
    given = concept or {}
    codings = [one for one in given.get("coding", ()) if one.get("display") or one.get("code")]
    named = sorted(codings, key=lambda one: "display" not in one)
    return str(given.get("text") or (called(named[0]) if named else ""))


def concepts(found: Iterable[Mapping[str, Any]] | None) -> str:
    """CodeableConcepts, one after the other."""
    return ", ".join(text for text in map(said, found or ()) if text)


def code_words(code: str | None) -> str:
    """A code of FHIR as words."""
    return (code or "").replace("-", " ")


def name_words(resource: Mapping[str, Any]) -> str:
    """The name of a person, a role, an organisation, a device or a team; empty without one."""
    name = resource.get("name")
    if isinstance(name, str):
        return name
    if resource.get("deviceName"):
        return str(resource["deviceName"][0].get("name", ""))
    if resource.get("resourceType") == "PractitionerRole":
        person = (resource.get("practitioner") or {}).get("display", "")
        return ", ".join(text for text in (person, concepts(resource.get("code"))) if text)
    return human_name(name or ())


def human_name(names: Iterable[Mapping[str, Any]]) -> str:
    """The official name before others, those of former times last."""
    order = {"official": 0, "usual": 1, "old": 9, "maiden": 8}
    ranked = sorted(names, key=lambda one: order.get(str(one.get("use")), 2))
    if not ranked:
        return ""
    best = ranked[0]
    parts = [*best.get("prefix", ()), *best.get("given", ()), best.get("family")]
    return str(best.get("text") or " ".join(part for part in parts if part))


def dose_words(dose: Dose) -> str:
    """How much in one session."""
    told = (
        (dose.sets, "sets"),
        (dose.strokes_per_side, "strokes a side in each"),
        (dose.trials, "trials"),
        (dose.repetitions, "repetitions"),
        (dose.minutes, "min"),
    )
    return ", ".join(f"{shown(number, 6)} {name}" for number, name in told if number is not None)


def often_words(frequency: float | None, every: float, times: int | None) -> str:
    """How often something was ordered."""
    if times is not None:
        return f"{times} in all"
    if frequency is None:
        return ""
    spans = {1.0: "a day", 7.0: "a week"}
    span = spans.get(every, f"in {shown(every)} days")
    return f"{shown(frequency)} times {span}" if frequency != 1 else f"once {span}"
