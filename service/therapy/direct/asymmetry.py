"""How unequal are the two sides?

The indices of gait research, as tabled in Int J Phys Med Rehabil 2014, 2:201, table 1. No limit
for lips, cheeks or tongue was found; 10 % is quoted for gait and is arbitrary.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Asymmetry:
    """Two sides compared; all in percent, positive where the right side is stronger."""

    symmetry_index: float
    """Difference by the mean of both, -200 to 200."""
    normalised: float
    """Difference by the sum of both, -100 to 100."""
    ratio: float
    """Weaker by stronger, 0 to 100."""

    @property
    def deficit(self) -> float:
        """What the weaker side lacks of the stronger."""
        return 100 - self.ratio


def asymmetry(left: float, right: float) -> Asymmetry | None:
    """The sides compared; None where both are zero. Raises ValueError below zero."""
    _require(left, right)
    if left == 0 and right == 0:
        return None
    normalised = 100 * ((right - left) / (right + left))
    return Asymmetry(2 * normalised, normalised, 100 * (min(left, right) / max(left, right)))


def deficit_of_affected(sound: float, affected: float) -> float | None:
    """How much the affected side lacks, in percent of the sound one.

    Not the same when the sides are swapped. None where the sound side is zero.
    """
    _require(sound, affected)
    return 100 * (sound - affected) / sound if sound else None


def symmetry_angle(sound: float, affected: float) -> float | None:
    """(45° - atan(sound/affected)) / 90° in percent; None where both are zero."""
    _require(sound, affected)
    if sound == 0 and affected == 0:
        return None
    return 100 * (45 - math.degrees(math.atan2(sound, affected))) / 90


def _require(*values: float) -> None:
    if not all(math.isfinite(value) and value >= 0 for value in values):
        raise ValueError("a side is measured with zero or more")
