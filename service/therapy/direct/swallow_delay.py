"""How long does the swallow wait, and does a stimulus shorten it?

Seconds from the cue or the arrival of the bolus to the start of the swallow, over the trials of a
session. A transition time can be negative: the swallow began before the bolus arrived.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Delay:
    """Trials of one kind; the spread is the standard deviation, None for a single trial."""

    trials: int
    mean: float
    median: float
    spread: float | None


def delay(seconds: Sequence[float | None]) -> Delay | None:
    """The trials summed up; a trial without a swallow (None) is left out. None without any."""
    timed = [value for value in seconds if value is not None and math.isfinite(value)]
    if not timed:
        return None
    spread = statistics.stdev(timed) if len(timed) > 1 else None
    return Delay(len(timed), statistics.fmean(timed), statistics.median(timed), spread)


def stimulus_effect(
    without: Sequence[float | None], with_stimulus: Sequence[float | None]
) -> float | None:
    """Seconds by which the median with stimulus differs; below zero the swallow came sooner."""
    before, after = delay(without), delay(with_stimulus)
    return after.median - before.median if before and after else None
