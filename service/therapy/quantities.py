"""How is a computed number written? Ten digits, with its UCUM unit where it has one."""

from __future__ import annotations

import math
from typing import Any


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
