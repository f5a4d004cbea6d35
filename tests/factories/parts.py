"""Makers of Observations whose components are the parts of a trial, and of ratings."""

from __future__ import annotations

from typing import Any

from tests.factories.course import concept, quantity

Resource = dict[str, Any]


def parted(code: str, *components: Resource, key: str = "parts", **more: Any) -> Resource:
    """What was done and counted once."""
    found: Resource = {
        "resourceType": "Observation",
        "id": key,
        "status": "final",
        "code": concept("measure", code),
        "subject": {"reference": "Patient/c-p1"},
        "effectiveDateTime": "2026-03-04T09:00:00Z",
        "component": list(components),
    }
    return found | more


def part(code: str, number: float | None, unit: str) -> Resource:
    """One part; None where a trial gave no number."""
    if number is None:
        absent = {"dataAbsentReason": {"text": "No swallow came"}}
        return {"code": concept("measure", code), **absent}
    return {"code": concept("measure", code), "valueQuantity": quantity(number, unit)}


def drink(given: float, left: float, seconds: float, swallows: int, **more: Any) -> Resource:
    """A timed drink of water."""
    return parted(
        "timed-water-swallow",
        part("volume-given", given, "mL"),
        part("volume-left", left, "mL"),
        part("time-taken", seconds, "s"),
        part("swallows-counted", swallows, "{count}"),
        **more,
    )


def rated(
    key: str,
    performer: str,
    level: int,
    at: str,
    *,
    code: str = "penetration-aspiration",
    session: str | None = None,
    **more: Any,
) -> Resource:
    """What one performer gave."""
    found: Resource = {
        "resourceType": "Observation",
        "id": key,
        "status": "final",
        "code": concept("measure", code),
        "subject": {"reference": "Patient/c-p1"},
        "effectiveDateTime": at,
        "performer": [{"reference": f"Practitioner/{performer}"}],
        "basedOn": [{"reference": "CarePlan/p1"}],
        "valueQuantity": quantity(level, "{score}"),
    }
    if session:
        found["encounter"] = {"reference": f"Encounter/{session}"}
    return found | more
