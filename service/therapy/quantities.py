"""How is a computed number written: in FHIR with ten digits and its UCUM unit, and for people?"""

from __future__ import annotations

import math
from typing import Any

from service.therapy.facts import Estimate


def rounded(number: float | None) -> float | int | None:
    """Ten digits; None for what is no number."""
    if number is None or not math.isfinite(number):
        return None
    short = float(f"{number:.10g}")
    return int(short) if short == int(short) and abs(short) < 1e15 else short


def quantity(number: float, unit: str) -> dict[str, Any]:
    """A Quantity with a UCUM unit; without one where there is no unit."""
    found: dict[str, Any] = {"value": rounded(number)}
    if unit:
        found |= {"unit": unit, "system": "http://unitsofmeasure.org", "code": unit}
    return found


def shown(number: float | None, digits: int = 3) -> str:
    """A number for people; a dash where there is none."""
    if number is None:
        return "–"
    text = f"{number:.{digits}g}"
    return f"{number:.0f}" if "e" in text and abs(number) < 1e9 else text


def interval(estimate: Estimate | None) -> str:
    """A number with its interval, for people."""
    if estimate is None:
        return "–"
    if estimate.low is None or estimate.high is None:
        return shown(estimate.value)
    return f"{shown(estimate.value)} ({shown(estimate.low)} to {shown(estimate.high)})"


def shown_unit(unit: str) -> str:
    """A unit for people: what UCUM has in braces is no unit."""
    return "" if unit.startswith("{") or unit == "1" else unit
