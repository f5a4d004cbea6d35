"""How did one measure change? All the numbers of a series, and what could not be computed.

Slope and tau are those of the treatment values as they are written, against the day; NAP and Tau-U
compare the phases with "better" counted upwards. Weeks have seven days of the place's calendar.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass, replace

import numpy as np

from service.therapy.change.overlap import NonOverlap, non_overlap, tau_u
from service.therapy.change.projection import Projection, project
from service.therapy.change.reliability import (
    Reliability,
    published,
    reliable_change,
    runs_beyond,
    two_sd_band,
)
from service.therapy.change.trend import Line, Tau, kendall, theil_sen
from service.therapy.change.verdict import Phases, Word, judge
from service.therapy.course.goals import Target
from service.therapy.course.readings import Series, Value
from service.therapy.course.sessions import is_told_apart
from service.therapy.facts import Estimate, facts
from service.therapy.measures import Measure
from service.therapy.moments import iso

_SITES = {"decrease": -1, "increase": 1, None: 0}


@dataclass(frozen=True, slots=True)
class Change:
    """One measure at one site, baseline against treatment."""

    measure: Measure
    site: dict[str, str] | None
    unit: str
    baseline: tuple[Value, ...]
    treatment: tuple[Value, ...]
    latest: Value | None
    line: Line | None
    tau: Tau | None
    overlap: NonOverlap | None
    tau_u: float | None
    band: Estimate | None
    reliability: Reliability | None
    reliable_change: float | None
    target: float | None
    projection: Projection
    verdict: Word | None
    rule: tuple[str, ...]

    @property
    def minimal_detectable_change(self) -> float | None:
        """MDC95 of two single measurements, where reliability is published."""
        return self.reliability.minimal_detectable_change if self.reliability else None

    @property
    def values(self) -> tuple[Value, ...]:
        """What it rests on."""
        return self.baseline + self.treatment


def change_of(series: Series, goal: Target | None = None, since: int | None = None) -> Change:
    """The change of one series; `goal` gives a target and, where the measure has none, a way.

    `since` is the first day of the look-back, to be told.
    """
    measure = series.measure.better_when(goal.direction if goal else None)
    baseline, treatment = series.of("baseline"), series.of("treatment")
    sign = _SITES[measure.direction]
    phases = Phases(
        [value.at.day for value in baseline],
        [value.number for value in baseline],
        [value.at.day for value in treatment],
        [value.number for value in treatment],
        sign,
    )
    with np.errstate(all="ignore"):
        line = theil_sen(phases.treatment_days, phases.treatment)
        tau = kendall(phases.treatment_days, phases.treatment)
        a, b = phases.oriented()
        overlap = non_overlap(a, b) if sign else None
        corrected = tau_u(a, b, [value.at.order for value in baseline]) if sign else None
        band = two_sd_band(phases.baseline)
        level = statistics.fmean(phases.baseline) if baseline else None
        place = (series.site or {}).get("code")
        reliability = _reliability(measure, place, level)
        verdict = judge(phases, line, tau, overlap, reliability)
    latest = latest_of(series)
    target = goal.bound if goal else None
    found = Change(
        measure,
        series.site,
        series.unit,
        tuple(baseline),
        tuple(treatment),
        latest,
        line,
        tau,
        overlap,
        corrected,
        band,
        reliability,
        _index(level, latest, reliability),
        target,
        _projection(line, goal, treatment),
        verdict.word,
        verdict.rule,
    )
    told = (_counts(found, since), *verdict.rule, *_beyond_band(found), *_absences(found, series))
    return replace(found, rule=told)


def latest_of(series: Series) -> Value | None:
    """The last value of baseline and treatment."""
    used = [*series.of("baseline"), *series.of("treatment")]
    return max(used, key=lambda value: value.at.order, default=None)


def _reliability(measure: Measure, place: str | None, level: float | None) -> Reliability | None:
    """What is published, at the level of the baseline; without one, only that no claim is made."""
    found = published(measure.code, place, 0.0 if level is None else level)
    return None if level is None and found is not None and found.change_claims else found


def _counts(found: Change, since: int | None) -> str:
    back = f", look-back from {iso(since)}" if since is not None else ""
    return f"{len(found.baseline)} baseline values{back}; {len(found.treatment)} in treatment."


def _beyond_band(found: Change) -> list[str]:
    """How many treatment values in a row lie beyond the band, on either side."""
    if found.band is None or found.band.low is None or found.band.high is None:
        return []
    values = [value.number for value in found.treatment]
    above = runs_beyond(values, found.band.high, above=True)
    below = runs_beyond(values, found.band.low, above=False)
    if max(above, below) < facts("change")["minimum"]["band-run"]:
        return []
    way, run = ("above", above) if above >= below else ("below", below)
    return [f"{run} treatment values in a row lie {way} the band of two standard deviations."]


def _index(
    level: float | None, latest: Value | None, reliability: Reliability | None
) -> float | None:
    if level is None or latest is None or reliability is None or reliability.error is None:
        return None
    return reliable_change(level, latest.number, reliability.error)


def _projection(line: Line | None, goal: Target | None, treatment: list[Value]) -> Projection:
    if goal is None or goal.bound is None or goal.direction is None:
        return Projection(reasons=("no projection: no target with a direction",))
    if not treatment:
        return Projection(reasons=("no projection: nothing measured in treatment",))
    first, last = treatment[0].at.day, treatment[-1].at.day
    if goal.is_met_by(treatment[-1].number):
        reached = f"the target is met by the last value, of {iso(last)}"
        return Projection(float(last), reasons=(reached,))
    if line is None:
        return Projection(reasons=("no projection: no slope",))
    rising = goal.direction == "increase"
    return project(line, goal.bound, rising=rising, first_day=first, last_day=last)


def _absences(found: Change, series: Series) -> list[str]:
    """Why parts are missing, what was left out, and what to bear in mind."""
    m, n = len(found.baseline), len(found.treatment)
    reasons = []
    if found.line is None:
        reasons.append("no slope: fewer than two days in treatment")
    elif found.line.slope.low is None:
        reasons.append("no interval of the slope: fewer than four treatment values")
    if found.tau is None and n:
        reasons.append("no tau: time or value does not vary in treatment")
    if found.overlap is None:
        reasons.append("no NAP and Tau-U: they need both phases and a direction that is better")
    elif found.overlap.nap.low is None:
        reasons.append("no interval of NAP: it needs two values in each phase")
    if found.band is None:
        few = m < 3
        reasons.append(f"no band: {'fewer than three' if few else 'unvarying'} baseline values")
    elif m < 5:
        reasons.append("the band is rough: fewer than five baseline values")
    if found.reliability is None:
        reasons.append("no reliable change index: no reliability is published for this measure")
    reasons += found.projection.reasons
    reasons += [f"{count} left out: {why}" for why, count in series.left_out.items() if count]
    reasons += _mixtures(found)
    if is_told_apart(found.measure) and n > len({v.session or v.at.day for v in found.treatment}):
        reasons.append("first and later values of a session are told apart in within-session")
    return [reason[0].upper() + reason[1:] + "." for reason in reasons]


def _mixtures(found: Change) -> list[str]:
    """Devices or methods that changed within the series."""
    devices = {value.device for value in found.values}
    methods = {value.method for value in found.values}
    mixed = []
    if len(devices) > 1:
        mixed.append("measured with more than one device: values may not be comparable")
    if len(methods) > 1:
        mixed.append("measured by more than one method: values may not be comparable")
    return mixed
