"""How fast and how regular are repeated syllables?

Alternating motion (one syllable) and sequential motion (a sequence of three): syllables by
seconds, whether counted in a fixed time or timed for a fixed count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

SHORTEST_SECONDS = 2
"""Below it a rate says little (from memory)."""


def motion_rate(repetitions: int, seconds: float, *, syllables: int = 1) -> float:
    """Syllables a second; `syllables` is how many one repetition has.

    Raises ValueError without a repetition or time.
    """
    if repetitions < 1 or syllables < 1 or not (math.isfinite(seconds) and seconds > 0):
        raise ValueError("a rate needs repetitions and a time above zero")
    return repetitions * syllables / seconds


def irregularity(onsets: Sequence[float]) -> float | None:
    """Spread of the intervals between onsets in percent of their mean; 0 is a steady beat.

    None below three onsets or where they do not move on.
    """
    ordered = sorted(onsets)
    gaps = [after - before for before, after in pairwise(ordered)]
    mean = math.fsum(gaps) / len(gaps) if gaps else 0
    if len(gaps) < 2 or mean <= 0:
        return None
    variance = math.fsum((gap - mean) ** 2 for gap in gaps) / (len(gaps) - 1)
    return 100 * math.sqrt(variance) / mean
