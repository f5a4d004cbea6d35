"""When would a target be reached, if the line went on?

Our own rule: from the medians of time and value along the Theil-Sen slope; the interval from the
ends of the slope's interval. It reflects the slope only and is too narrow. A line is carried no
further than twice the observed time (mappings/measures/change.json).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from service.therapy.change.trend import Line
from service.therapy.facts import facts


@dataclass(frozen=True, slots=True)
class Projection:
    """Days (in the numbering of the series) or None, with the reasons for what is not told."""

    day: float | None = None
    earliest: float | None = None
    latest: float | None = None
    reasons: tuple[str, ...] = field(default=())


def project(
    line: Line, target: float, *, rising: bool, first_day: float, last_day: float
) -> Projection:
    """When the line reaches the target; `rising` says which way is better."""
    sign = 1 if rising else -1
    if sign * line.slope.value <= 0:
        return Projection(reasons=("not projected: the line does not move towards the target",))
    day = _reached(line, target, line.slope.value)
    if day <= last_day:
        return Projection(
            reasons=("not projected: the line has passed the target, the last value has not",)
        )
    horizon = last_day + facts("change")["projection"]["spans"] * (last_day - first_day)
    if day > horizon:
        return Projection(
            reasons=("not projected: further ahead than twice the time that was observed",)
        )
    low, high = line.slope.low, line.slope.high
    if low is None or high is None:
        return Projection(day, reasons=("no interval of the date: fewer than four values",))
    steep, shallow = (high, low) if rising else (low, high)
    reasons = []
    earliest: float | None = _reached(line, target, steep)
    if earliest is not None and earliest <= last_day:
        earliest = None
        reasons.append("no earliest date: the steep end of the slope has passed the target")
    latest = _reached(line, target, shallow) if sign * shallow > 0 else None
    if latest is None:
        reasons.append("latest date not bounded: the interval of the slope reaches zero")
    elif latest > horizon:
        latest = None
        reasons.append("latest date not told: further ahead than twice the time observed")
    return Projection(day, earliest, latest, tuple(reasons))


def _reached(line: Line, target: float, slope: float) -> float:
    return line.middle_day + (target - line.middle_value) / slope
