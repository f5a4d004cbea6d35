"""Which value does a measure have on a day? A curve over the course, with noise, on its scale.

The noise is a sum of uniform numbers, since only those are promised to stay the same from one
Python version to the next.
"""

from __future__ import annotations

from random import Random

from .codes import measure
from .model import Shape, Trend


def _share(shape: Shape, progress: float) -> float:
    """How much of the whole change has come about at this part (0 to 1) of the course."""
    if shape == "flat":
        return 0.0
    if shape == "early":
        return 1 - (1 - progress) ** 2
    if shape == "late":
        return progress**2
    if shape == "plateau":
        return min(1.0, progress / 0.3)
    return progress


def _noise(chance: Random, spread: float) -> float:
    """A number around 0 with this standard deviation, never beyond three of them."""
    return (sum(chance.random() for _ in range(3)) - 1.5) * 2 * spread


def value(trend: Trend, progress: float, chance: Random) -> float:
    """The measured value; a whole number where the trend has no decimals."""
    scale = measure(trend.measure)
    share = _share(trend.shape, min(1.0, max(0.0, progress)))
    raw = trend.first + (trend.last - trend.first) * share + _noise(chance, trend.noise)
    if scale.minimum is not None:
        raw = max(scale.minimum, raw)
    if scale.maximum is not None:
        raw = min(scale.maximum, raw)
    return round(float(raw), trend.decimals) if trend.decimals else round(raw)
