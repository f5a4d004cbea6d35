"""Which slope stands at which rank among all pairs of a long series?

Theil-Sen needs the middle one of n(n-1)/2 slopes. For thousands of values they are not all
computed: slopes of random pairs tell where to look, Kendall's S of the values less a line tells
exactly how many slopes lie below that line (as in Cole, Salowe, Steiger, Szemerédi 1989, SIAM J
Comput 18:792-810), and only the few pairs around the wanted rank are looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

_SAMPLE = 20_000
_FEW = 100_000
_GUESSES = 6
_CHUNK = 2_000_000


class Slopes:
    """All slopes (y_j - y_i) / (t_j - t_i) with t_i < t_j, without having them."""

    def __init__(self, times: Sequence[float] | Any, values: Sequence[float] | Any) -> None:
        order = np.lexsort((values, times))
        self._t = np.asarray(times, float)[order]
        self._y = np.asarray(values, float)[order]
        self.times_tied = _tied(self._t)
        count = len(self._t)
        self.count = count * (count - 1) // 2 - self.times_tied
        self._sampled, counts = np.unique(self._sample(), return_counts=True)
        self._passed = np.concatenate(([0], np.cumsum(counts)))
        self._below_cut: dict[float, int] = {}
        self._looked_at: tuple[int, Any] = (0, np.empty(0))
        """The slopes last looked at, from this rank on: the next rank asked for is often there."""

    def at(self, rank: int) -> float:
        """The slope at this rank in rising order, from 0."""
        if not 0 <= rank < self.count:
            raise IndexError(rank)
        first, known = self._looked_at
        if first <= rank < first + len(known):
            return float(np.partition(known, rank - first)[rank - first])
        low, high = 0, len(self._sampled)
        step = 0
        while high - low > 1 and self._inside(low, high) > _FEW:
            middle = self._guess(rank, low, high, step)
            if self._below(self._cut(middle)) > rank:
                high = middle
            else:
                low = middle
            step += 1
        value = float(self._sampled[low])
        return self._near(value, self._cut(low), self._cut(high), rank)

    def _cut(self, place: int) -> float:
        """A slope between two sampled ones: before the one at this place."""
        if place == 0:
            return -np.inf
        if place == len(self._sampled):
            return np.inf
        return float(self._sampled[place - 1] + self._sampled[place]) / 2

    def _inside(self, low: int, high: int) -> int:
        return self._below(self._cut(high)) - self._below(self._cut(low))

    def _guess(self, rank: int, low: int, high: int, step: int) -> int:
        """Where the sample says that the rank lies, a little to one side and then to the other."""
        if step > 2 * _GUESSES:
            return (low + high) // 2
        first, last = self._passed[low], self._passed[high]
        share = (rank - self._below(self._cut(low))) / self._inside(low, high)
        margin = 1.5 * np.sqrt(last - first) * (1 if step % 2 else -1)
        wanted = first + share * (last - first) + margin
        place = int(np.searchsorted(self._passed, wanted))
        return min(max(place, low + 1), high - 1)

    def _near(self, value: float, low: float, high: float, rank: int) -> float:
        """The slope at the rank, known to lie between two cuts around a sampled value."""
        if self._below(high) - self._below(low) > _FEW:
            # Many pairs share one slope (often zero): is it the one?
            close = 1e-9 * max(abs(value), float(np.abs(self._sampled).mean()), 1e-300)
            if self._below(value - close) > rank:
                high = value - close
            elif self._below(value + close) > rank:
                return value
            else:
                low = value + close
        found = self._between(low, high)
        if not len(found):
            return value
        # A slope that equals a cut to the last bit may be counted on either side of it.
        first = self._below(low)
        if len(found) == self._below(high) - first:
            self._looked_at = first, found
        place = min(max(rank - first, 0), len(found) - 1)
        return float(np.partition(found, place)[place])

    def _below(self, slope: float) -> int:
        """How many slopes are smaller."""
        if slope == -np.inf:
            return 0
        if slope == np.inf:
            return self.count
        if slope not in self._below_cut:
            self._below_cut[slope] = self._falling(self._y - slope * self._t)
        return self._below_cut[slope]

    def _falling(self, rest: Any) -> int:
        """Pairs of different time in which the value falls."""
        from scipy.stats import kendalltau

        ranks = np.unique(rest, return_inverse=True)[1]
        value_ties = _tied(ranks)
        both = _tied(self._t + 1j * ranks) if self.times_tied and value_ties else 0
        tau = float(kendalltau(self._t, ranks, method="asymptotic").statistic)
        if np.isnan(tau):
            return 0
        whole = self.count + self.times_tied
        s = round(tau * np.sqrt(float(self.count)) * np.sqrt(float(whole - value_ties)))
        return int(whole - self.times_tied - value_ties + both - s) // 2

    def _between(self, low: float, high: float) -> Any:
        """The slopes from `low` on and below `high`: pairs whose order the two lines change."""
        order = self._order(low)
        place = np.empty(len(order), np.int64)
        place[self._order(high)] = np.arange(len(order))
        place = place[order]
        least_after = np.minimum.accumulate(place[::-1])[::-1]
        last = np.searchsorted(least_after, place, "left") - 1
        spans = np.maximum(last - np.arange(len(order)), 0)
        found = []
        ends = np.cumsum(spans)
        start = 0
        while start < len(order):
            done = ends[start - 1] if start else 0
            stop = max(start + 1, int(np.searchsorted(ends, done + _CHUNK, "right")))
            here = np.repeat(np.arange(start, stop), spans[start:stop])
            offset = np.arange(len(here)) - np.repeat(
                ends[start:stop] - spans[start:stop] - done, spans[start:stop]
            )
            there = here + 1 + offset
            swapped = place[there] < place[here]
            found.append(self._slopes(order[here[swapped]], order[there[swapped]]))
            start = stop
        return np.concatenate(found)

    def _order(self, slope: float) -> Any:
        """Points by value less the line, then by time; at an endless slope by time, then value."""
        if slope == -np.inf:
            return np.lexsort((self._y, self._t))
        if slope == np.inf:
            return np.lexsort((self._y, -self._t))
        return np.lexsort((self._t, self._y - slope * self._t))

    def _slopes(self, first: Any, second: Any) -> Any:
        return (self._y[second] - self._y[first]) / (self._t[second] - self._t[first])

    def _sample(self) -> Any:
        """Slopes of random pairs; the same ones every time."""
        chance = np.random.default_rng(0)
        found = np.empty(0)
        while self.count and not len(found):
            first = chance.integers(0, len(self._t), _SAMPLE)
            second = chance.integers(0, len(self._t), _SAMPLE)
            apart = self._t[first] < self._t[second]
            found = self._slopes(first[apart], second[apart])
        return found


def _tied(values: Any) -> int:
    _, counts = np.unique(values, return_counts=True)
    return int((counts.astype(np.int64) * (counts - 1) // 2).sum())
