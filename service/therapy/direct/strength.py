"""How strong are tongue and lips, and how long does the strength last?

Pressure bulb, best of three presses (as in the reliability study of Adams 2014); endurance is the
time at half of one's own maximum or more (from memory). Norms: norms.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

IMPLAUSIBLE_KPA = 100
"""A press above it is more likely a slip of the pen or the unit."""


def pressure(presses: Sequence[float], rule: Literal["best", "mean"] = "best") -> float | None:
    """The pressure of a set of presses in their unit; None without any.

    Raises ValueError for a press that is not above zero.
    """
    if not all(math.isfinite(press) and press > 0 for press in presses):
        raise ValueError("a press is a pressure above zero")
    if not presses:
        return None
    return max(presses) if rule == "best" else math.fsum(presses) / len(presses)


def is_implausible(kilopascal: float) -> bool:
    """Whether a pressure should be looked at again before it is believed."""
    return kilopascal > IMPLAUSIBLE_KPA


def endurance(
    samples: Sequence[tuple[float, float]], maximum: float, share: float = 0.5
) -> float | None:
    """Seconds from the first sample until the pressure first falls below a share of the maximum.

    `samples` are (seconds, pressure). None without samples or where the first is too weak.
    """
    if maximum <= 0:
        raise ValueError("the maximum is a pressure above zero")
    ordered = sorted(samples)
    held = None
    for seconds, pressed in ordered:
        if pressed < share * maximum:
            break
        held = seconds - ordered[0][0]
    return held
