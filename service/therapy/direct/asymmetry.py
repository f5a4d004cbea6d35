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
    ratio: float
    """Weaker by stronger, 0 to 100."""


def asymmetry(left: float, right: float) -> Asymmetry | None:
    """The sides compared; None where both are zero. Raises ValueError below zero."""
    _require(left, right)
    if left == 0 and right == 0:
        return None
    index = 200 * ((right - left) / (right + left))
    return Asymmetry(index, 100 * (min(left, right) / max(left, right)))


def _require(*values: float) -> None:
    if not all(math.isfinite(value) and value >= 0 for value in values):
        raise ValueError("a side is measured with zero or more")
