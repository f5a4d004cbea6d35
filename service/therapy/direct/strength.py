"""How strong are tongue and lips, and how long does the strength last?

Pressure bulb, best of the presses (best of three in the reliability study of Adams 2014); endurance
is the time at half of one's own maximum or more (from memory). Norms: norms.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


def best_press(presses: Sequence[float]) -> float | None:
    """The best of a set of presses in their unit; None without any.

    Raises ValueError for a press that is not above zero.
    """
    if not all(math.isfinite(press) and press > 0 for press in presses):
        raise ValueError("a press is a pressure above zero")
    return max(presses, default=None)


def endurance(
    samples: Sequence[tuple[float, float]], maximum: float, share: float = 0.5
) -> float | None:
    """Seconds from the first sample until the pressure first falls below a share of the maximum.

    `samples` are (seconds, pressure). None without samples or where the first is too weak. Raises
    ValueError where the maximum is not above zero.
    """
    if not maximum > 0:
        raise ValueError("the maximum is a pressure above zero")
    ordered = sorted(samples)
    held = None
    for seconds, pressed in ordered:
        if pressed < share * maximum:
            break
        held = seconds - ordered[0][0]
    return held
