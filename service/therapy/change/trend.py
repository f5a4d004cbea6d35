"""Which way does one series move, and how fast?

Slope: Theil-Sen, the median of all pairwise slopes, with the interval of Sen PK 1968, J Am Stat
Assoc 63:1379-1389. Direction: Kendall's tau-b of values against time (Mann-Kendall). SciPy carries
both; long series take the way of slopes.py to the same number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.therapy.change.slopes import Slopes
from service.therapy.facts import Estimate, facts

_LONG = 300
DAYS_PER_WEEK = 7


@dataclass(frozen=True, slots=True)
class Tau:
    """Kendall's tau-b with its two-sided p."""

    tau: float
    p: float


@dataclass(frozen=True, slots=True)
class Line:
    """A Theil-Sen line: slope by day, through the medians of time and value."""

    slope: Estimate
    middle_day: float
    middle_value: float

    @property
    def per_week(self) -> Estimate:
        """The slope by week."""
        ends = (e if e is None else e * DAYS_PER_WEEK for e in (self.slope.low, self.slope.high))
        return Estimate(self.slope.value * DAYS_PER_WEEK, *ends)


def theil_sen(days: Sequence[float], values: Sequence[float]) -> Line | None:
    """The line with its 95 % interval; None where all values are of one day.

    Below four values the interval says nothing and is left out.
    """
    if len(set(days)) < 2:
        return None
    t, y = np.asarray(days, float), np.asarray(values, float)
    slope, low, high = _short(t, y) if len(t) <= _LONG else _long(t, y)
    enough = len(t) >= facts("change")["minimum"]["interval"]
    ends = (low, high) if enough and math.isfinite(low) and math.isfinite(high) else (None, None)
    return Line(Estimate(slope, *ends), float(np.median(t)), float(np.median(y)))


def kendall(days: Sequence[float], values: Sequence[float]) -> Tau | None:
    """Tau-b of values against time; None where time or value does not vary."""
    if len(set(days)) < 2 or len(set(values)) < 2:
        return None
    from scipy.stats import kendalltau

    found = kendalltau(days, values)
    return Tau(float(found.statistic), float(found.pvalue))


def _short(t: Any, y: Any) -> tuple[float, float, float]:
    from scipy.stats import theilslopes

    # Where nearly all is tied, rounding can leave the variance below zero: then no interval.
    with np.errstate(invalid="ignore"):
        found = theilslopes(y, t, 0.95)
    return float(found.slope), float(found.low_slope), float(found.high_slope)


def _long(t: Any, y: Any) -> tuple[float, float, float]:
    """What `theilslopes` gives, without all pairs: the ranks are those of Sen's equation 2.6."""
    slopes = Slopes(t, y)
    last = slopes.count - 1
    median = (slopes.at(last // 2) + slopes.at(last - last // 2)) / 2
    sigma = math.sqrt(_variance(t, y))
    z = -1.959963984540054
    upper = min(round((slopes.count - z * sigma) / 2), last)
    lower = max(round((slopes.count + z * sigma) / 2) - 1, 0)
    return median, slopes.at(lower), slopes.at(upper)


def _variance(t: Any, y: Any) -> float:
    n = len(t)
    whole = float(n * (n - 1) * (2 * n + 5))
    for series in (t, y):
        _, counts = np.unique(series, return_counts=True)
        k = counts.astype(float)
        whole -= float((k * (k - 1) * (2 * k + 5)).sum())
    return max(0.0, whole / 18)
