"""How far do the values of two phases overlap?

Non-overlap of all pairs (Parker RI, Vannest KJ 2009), its interval after Newcombe 2006 method 5 as
in Pustejovsky's single-case effect sizes; Tau and Tau-U (Parker RI, Vannest KJ, Davis JL 2011,
Behav Modif 35:303-322, doi 10.1177/0145445511399147); percentage of non-overlapping data. Values
are oriented: above is better. Two denominators of Tau-U are in use; which one is taken here and why
is in mappings/measures/change.json.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.therapy.facts import Estimate

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class NonOverlap:
    """NAP (0 to 1; 0.5 is chance) with its interval and standard error.

    The interval needs two values in each phase; below that it is None.
    """

    nap: Estimate
    standard_error: float | None

    @property
    def tau(self) -> float:
        """Tau of baseline against treatment, -1 to 1."""
        return 2 * self.nap.value - 1


def non_overlap(baseline: Sequence[float], treatment: Sequence[float]) -> NonOverlap | None:
    """Share of pairs in which the treatment value is better, ties as a half; None without pairs."""
    m, n = len(baseline), len(treatment)
    if not m or not n:
        return None
    a, b = np.sort(np.asarray(baseline, float)), np.sort(np.asarray(treatment, float))
    beaten = (np.searchsorted(a, b, "left") + np.searchsorted(a, b, "right")) / 2
    beating = n - (np.searchsorted(b, a, "left") + np.searchsorted(b, a, "right")) / 2
    nap = float(beaten.sum()) / (m * n)
    if m < 2 or n < 2:
        return NonOverlap(Estimate(nap), None)
    low, high = _newcombe(nap, m, n)
    error = _standard_error(nap, beating, beaten, _squares(nap, a, b))
    return NonOverlap(Estimate(nap, low, high), error)


def tau_u(
    baseline: Sequence[float],
    treatment: Sequence[float],
    times: Sequence[object] | None = None,
) -> float | None:
    """Tau less the trend of the baseline, over the pairs of both phases; None without pairs.

    The baseline is in the order of time; `times` tells which of its values are of one time.
    """
    found = non_overlap(baseline, treatment)
    if found is None:
        return None
    ranks = None
    if times is not None:
        place = {time: rank for rank, time in enumerate(dict.fromkeys(times))}
        ranks = [place[time] for time in times]
    return found.tau - kendall_s(baseline, ranks) / (len(baseline) * len(treatment))


def kendall_s(values: Sequence[float] | Any, times: Sequence[float] | Any | None = None) -> int:
    """Pairs that rise less pairs that fall in the order of time, those of one time left out."""
    count = len(values)
    if count < 2:
        return 0
    from scipy.stats import kendalltau

    y = np.asarray(values, float)
    t = np.arange(count) if times is None else np.asarray(times, float)
    tau = float(kendalltau(t, y).statistic)
    if math.isnan(tau):
        return 0
    pairs = count * (count - 1) // 2
    return round(tau * math.sqrt(pairs - tied_pairs(t)) * math.sqrt(pairs - tied_pairs(y)))


def tied_pairs(values: Any) -> int:
    """How many pairs of values are equal."""
    _, counts = np.unique(values, return_counts=True)
    return int((counts.astype(np.int64) * (counts - 1) // 2).sum())


def share_beyond(baseline: Sequence[float], treatment: Sequence[float]) -> float | None:
    """Percent of treatment values beyond the best baseline value (PND); None without values.

    Falls with a longer baseline even where nothing changes: never the first thing to look at.
    """
    if not baseline or not treatment:
        return None
    best = max(baseline)
    return 100 * sum(value > best for value in treatment) / len(treatment)


def attainable_p(m: int, n: int) -> float:
    """The two-sided exact p of Mann-Whitney where the phases do not overlap at all."""
    return min(1.0, 2 / math.comb(m + n, m)) if m and n else 1.0


def _newcombe(nap: float, m: int, n: int) -> tuple[float, float]:
    """Both roots of the equation for the bounds, found by halving."""
    h = (m + n) / 2 - 1

    def excess(theta: float) -> float:
        spread = theta * (1 - theta)
        rest = Z95**2 * spread * (2 + h + (1 + 2 * h) * spread)
        return m * n * (nap - theta) ** 2 * (2 - theta) * (1 + theta) - rest

    def root(outer: float, inner: float) -> float:
        for _ in range(80):
            middle = (outer + inner) / 2
            outer, inner = (middle, inner) if excess(middle) > 0 else (outer, middle)
        return (outer + inner) / 2

    return (root(0.0, nap) if nap > 0 else 0.0), (root(1.0, nap) if nap < 1 else 1.0)


def _squares(nap: float, a: Any, b: Any) -> float:
    """Mean squared distance of a pair's score (1, ½, 0) from NAP."""
    pairs = len(a) * len(b)
    wins = float(np.searchsorted(a, b, "left").sum())
    ties = float(np.searchsorted(a, b, "right").sum()) - wins
    losses = pairs - wins - ties
    return float(wins * (1 - nap) ** 2 + ties * (0.5 - nap) ** 2 + losses * nap**2) / pairs


def _standard_error(nap: float, beating: Any, beaten: Any, q3: float) -> float:
    """The unbiased standard error; `beating` by baseline value, `beaten` by treatment value."""
    m, n = len(beating), len(beaten)
    q1 = float(((beating - n * nap) ** 2).sum()) / (m * n**2)
    q2 = float(((beaten - m * nap) ** 2).sum()) / (m**2 * n)
    kept = min(max(nap, 1 / (2 * m * n)), 1 - 1 / (2 * m * n))
    variance = (kept * (1 - kept) + n * q1 + m * q2 - 2 * q3) / ((m - 1) * (n - 1))
    return math.sqrt(max(0.0, variance))
