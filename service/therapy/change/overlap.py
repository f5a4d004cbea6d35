"""How far do the values of two phases overlap?

Non-overlap of all pairs (Parker RI, Vannest KJ 2009), its interval after Newcombe 2006 method 5 as
in Pustejovsky's single-case effect sizes; Tau and Tau-U (Parker RI, Vannest KJ, Davis JL 2011,
Behav Modif 35:303-322, doi 10.1177/0145445511399147). Values are oriented: above is better. Two
denominators of Tau-U are in use; which one is taken here and why is in
mappings/measures/change.json.
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
    """NAP (0 to 1; 0.5 is chance) with its interval.

    The interval needs two values in each phase; below that it is None.
    """

    nap: Estimate

    @property
    def tau(self) -> float:
        """Tau of baseline against treatment, -1 to 1."""
        return 2 * self.nap.value - 1


def non_overlap(baseline: Sequence[float], treatment: Sequence[float]) -> NonOverlap | None:
    """Share of pairs in which the treatment value is better, ties as a half; None without pairs."""
    m, n = len(baseline), len(treatment)
    if not m or not n:
        return None
    a, b = np.sort(np.asarray(baseline, float)), np.asarray(treatment, float)
    beaten = (np.searchsorted(a, b, "left") + np.searchsorted(a, b, "right")) / 2
    nap = float(beaten.sum()) / (m * n)
    if m < 2 or n < 2:
        return NonOverlap(Estimate(nap))
    return NonOverlap(Estimate(nap, *_newcombe(nap, m, n)))


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
