"""Did oxygen saturation fall within a session?

A fall of three points or more is told as a caution (common practice, no source; the number is in
mappings/measures/standard-measures.json). It says nothing about swallowing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.therapy.facts import facts


@dataclass(frozen=True, slots=True)
class SaturationChange:
    """First value, last value and lowest value of a session, in percent."""

    first: float
    last: float
    lowest: float

    @property
    def change(self) -> float:
        """Last minus first."""
        return self.last - self.first

    @property
    def fall(self) -> float:
        """How far it fell from the first value to the lowest later one, or zero."""
        return max(0.0, self.first - self.lowest)

    @property
    def is_marked(self) -> bool:
        """Whether the fall is one to be told."""
        return bool(self.fall >= facts("standard-measures")["saturation"]["fall"])


def saturation_change(values: Sequence[float]) -> SaturationChange | None:
    """Values of one session in the order of time; None below two.

    Raises ValueError outside 0 to 100.
    """
    if not all(math.isfinite(value) and 0 <= value <= 100 for value in values):
        raise ValueError("saturation lies between 0 and 100 %")
    if len(values) < 2:
        return None
    return SaturationChange(values[0], values[-1], min(values[1:]))
