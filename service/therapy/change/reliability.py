"""Is a change larger than the measure's own error?

Reliable change index: Jacobson NS, Truax P 1991, J Consult Clin Psychol 59:12-19. Standard error of
measurement and minimal detectable change: Weir JP 2005, doi 10.1519/15184.1. The error of
measurement is not the standard error of the mean. Published errors:
mappings/measures/reliability.json.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from service.therapy.facts import Estimate, facts

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Reliability:
    """What is published: the error of one measurement at a level, and whether change can be told.

    `error` is None where the source says that the measure is not reliable enough.
    """

    error: float | None
    change_claims: bool
    words: str

    @property
    def minimal_detectable_change(self) -> float | None:
        """MDC95 of two single measurements."""
        return None if self.error is None else minimal_detectable_change(self.error)


def error_of_measurement(sd: float, retest: float) -> float:
    """SEM = SD * sqrt(1 - r). Raises ValueError where r is no reliability above zero."""
    if not (sd >= 0 and 0 < retest <= 1):
        raise ValueError("a retest reliability lies above 0 and not above 1")
    return sd * math.sqrt(1 - retest)


def minimal_detectable_change(error: float, z: float = Z95) -> float:
    """The smallest difference of two measurements that error does not explain (95 %)."""
    return z * math.sqrt(2) * error


def reliable_change(before: float, after: float, error: float) -> float | None:
    """The index: difference by its standard error, beyond ±1.96 reliable; None without error."""
    return (after - before) / (math.sqrt(2) * error) if error > 0 else None


def published(measure: str, place: str | None, level: float) -> Reliability | None:
    """What is published for a measure at a body site, near a level; None where nothing is."""
    for row in facts("reliability")["reliability"]:
        if row["measure"] != measure or place not in row["places"]:
            continue
        words = f"{row['source']} ({row['status']}). {row['note']}"
        if not row["change-claims"]:
            return Reliability(None, False, words)
        if row.get("retest") is not None:
            return Reliability(error_of_measurement(row["sd"], row["retest"]), True, words)
        return Reliability(abs(level) * row["error-percent"] / 100, True, words)
    return None


def two_sd_band(baseline: Sequence[float]) -> Estimate | None:
    """Mean of the baseline and two standard deviations to both sides.

    None below three values or where they do not vary: then any change would lie outside.
    """
    if len(baseline) < facts("change")["minimum"]["band"]:
        return None
    mean, sd = statistics.fmean(baseline), statistics.stdev(baseline)
    return Estimate(mean, mean - 2 * sd, mean + 2 * sd) if sd > 0 else None


def runs_beyond(values: Sequence[float], limit: float, *, above: bool) -> int:
    """The longest run of values beyond a limit; two or more is the rule of the band."""
    longest = run = 0
    for value in values:
        run = run + 1 if (value > limit if above else value < limit) else 0
        longest = max(longest, run)
    return longest
