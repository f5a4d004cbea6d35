"""What does a timed drink of water tell?

Hughes TAT, Wiles CM 1996, QJM 89:109-116: volume a swallow, time a swallow, capacity. What is
left is measured, so that a drink that was stopped still counts. Compare the same volume only:
150 mL gives a higher capacity than 50 mL.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WaterSwallow:
    """The three indices of one drink."""

    volume_per_swallow: float
    """mL"""
    time_per_swallow: float
    """s"""
    capacity: float
    """mL/s"""


def water_swallow(given: float, seconds: float, swallows: int, residual: float = 0) -> WaterSwallow:
    """The indices for a drink of `given` mL with `residual` mL left.

    Raises ValueError for what cannot be a drink.
    """
    numbers = (given, seconds, residual)
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("a drink is told in finite numbers")
    if not (given > 0 and 0 <= residual < given and seconds > 0 and swallows >= 1):
        raise ValueError("a drink needs a volume, a time and a swallow, and less left than given")
    drunk = given - residual
    return WaterSwallow(drunk / swallows, seconds / swallows, drunk / seconds)
