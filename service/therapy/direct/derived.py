"""How is a measure that follows from parts written as an Observation?

It says what the Observation of the parts says of whom, when, where and by whom; its `method` names
the formula, `derivedFrom` the parts, and its reference ranges the published limits. R4:
http://hl7.org/fhir/R4/observation.html#obsgrouping.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from html import escape
from typing import Any

import orjson

from service.data import mappings
from service.therapy.direct.norms import limits_for
from service.therapy.direct.parts import Beside, Outcome
from service.therapy.measures import MEASURES, OWN
from service.therapy.quantities import quantity, shown_unit

Resource = dict[str, Any]

_KEPT = (
    "basedOn",
    "category",
    "subject",
    "focus",
    "encounter",
    "effectiveDateTime",
    "effectivePeriod",
    "effectiveInstant",
    "effectiveTiming",
    "issued",
    "performer",
    "bodySite",
    "specimen",
    "device",
)
DERIVED = "https://hyoid.example/fhir/derived"
"""System of the identifiers of what is derived from parts."""

_OUTSIDE = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"


def derived(outcome: Outcome, parts: Resource, device: str | None = None) -> Resource:
    """The Observation without id and identifier; `device` is the kind that limits depend on."""
    display = outcome.measure.name
    value = quantity(outcome.number, outcome.measure.unit or "")
    words = f"{display}: {value['value']} {shown_unit(outcome.measure.unit or '')}".strip()
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{escape(words)}</p></div>'
    found: Resource = {
        "resourceType": "Observation",
        "identifier": [identifier(parts["id"], outcome.measure.code)],
        "text": {"status": "generated", "div": div},
        "status": parts["status"],
        "code": {"coding": [outcome.measure.coding()], "text": display},
        **{name: parts[name] for name in _KEPT if name in parts},
        "valueQuantity": value,
        "method": {"text": outcome.method},
        "derivedFrom": [{"reference": f"Observation/{parts['id']}"}],
    }
    if outcome.note:
        found["note"] = [{"text": outcome.note}]
    found |= _judged(outcome, device)
    components = [_component(beside) for beside in outcome.beside]
    if outcome.coded is not None:
        code, coding = outcome.coded
        concept = {"coding": [coding]}
        components.append({"code": _concept(MEASURES, code), "valueCodeableConcept": concept})
    if components:
        found["component"] = components
    return found


def identifier(parts: str, measure: str) -> Resource:
    """By which the measure that follows from an Observation is known again."""
    return {"system": DERIVED, "value": f"{parts}-{measure}"}


def _judged(outcome: Outcome, device: str | None) -> Resource:
    """The published limits; and on which side the value lies, where they agree on that."""
    limits = limits_for(outcome.measure.code, outcome.number, device=device)
    if not limits:
        return {}
    unit = outcome.measure.unit or ""
    ranges = [
        {limit.normal_end: quantity(limit.limit, unit), "text": limit.words} for limit in limits
    ]
    found: Resource = {"referenceRange": ranges}
    sides = {(limit.abnormal, limit.normal_end) for limit in limits}
    if len(sides) == 1:
        abnormal, end = sides.pop()
        outside = ("L", "Low") if end == "low" else ("H", "High")
        code, display = outside if abnormal else ("N", "Normal")
        coding = {"system": _OUTSIDE, "code": code, "display": display}
        found["interpretation"] = [{"coding": [coding]}]
    return found


def _component(beside: Beside) -> Resource:
    return {
        "code": _concept(beside.system, beside.code),
        "valueQuantity": quantity(beside.number, beside.unit),
    }


def _concept(system: str, code: str) -> Resource:
    display = _displays(system.removeprefix(OWN))[code]
    return {"coding": [{"system": system, "code": code, "display": display}], "text": display}


@functools.cache
def _displays(name: str) -> Mapping[str, str]:
    content = orjson.loads(mappings("code-systems", f"{name}.json").read_bytes())
    return {concept["code"]: concept["display"] for concept in content["concept"]}
