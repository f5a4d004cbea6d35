"""Is it helping? One of four words, and the rule and numbers that gave it.

With a baseline there is a change where the treatment values differ from it beyond chance (interval
of NAP wholly on one side of one half) and have no trend of their own the other way; or where they
have a trend (Kendall, p below 0.05) and the last of them lie beyond the whole baseline. In both
cases a trend that the baseline already had, or the published error of the measure, must not
explain it. Without a baseline: by the trend of the treatment alone. Where no result could be told
from chance the answer is `too few data`. Numbers: mappings/measures/change.json.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.therapy.change.overlap import NonOverlap, attainable_p, non_overlap
from service.therapy.change.reliability import Reliability
from service.therapy.change.trend import Line, Tau, kendall, theil_sen
from service.therapy.facts import Estimate, facts

Word = Literal["improving", "no reliable change", "worsening", "too few data"]

_ALPHA = 0.05


@dataclass(frozen=True, slots=True)
class Verdict:
    """The word (None: no way is better) and the sentences that explain it."""

    word: Word | None
    rule: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Phases:
    """Values and days of baseline and treatment in the order of time; `sign` is -1 where less is
    better."""

    baseline_days: Sequence[float]
    baseline: Sequence[float]
    treatment_days: Sequence[float]
    treatment: Sequence[float]
    sign: int

    def oriented(self) -> tuple[list[float], list[float]]:
        """The values of both phases, more is better."""
        return [self.sign * v for v in self.baseline], [self.sign * v for v in self.treatment]


def judge(
    phases: Phases,
    line: Line | None,
    tau: Tau | None,
    overlap: NonOverlap | None,
    reliability: Reliability | None,
) -> Verdict:
    """The verdict on one measure; `line` and `tau` are those of the treatment."""
    minimum = facts("change")["minimum"]
    m, n = len(phases.baseline), len(phases.treatment)
    if phases.sign == 0:
        return Verdict(None, ("No verdict: neither way is better, and no goal says which.",))
    if reliability is not None and not reliability.change_claims:
        words = f"No claim of change is made for this measure: {reliability.words}"
        enough = n >= minimum["treatment"]
        return Verdict("no reliable change" if enough else "too few data", (words,))
    if m >= minimum["baseline"] and overlap is not None:
        if n < minimum["treatment"] or attainable_p(m, n) >= _ALPHA:
            return Verdict("too few data", (_too_few(m, n),))
        return _against_baseline(phases, line, tau, overlap, reliability)
    return _by_trend(phases, line, tau)


def _against_baseline(
    phases: Phases,
    line: Line | None,
    tau: Tau | None,
    overlap: NonOverlap,
    reliability: Reliability | None,
) -> Verdict:
    nap = overlap.nap
    level = _side(nap.low, nap.high, 0.5)
    rule = [
        f"In {nap.value:.0%} of all pairs of a baseline and a treatment value the treatment value"
        f" is better ({nap.low:.0%} to {nap.high:.0%}; half is chance)."
    ]
    trend = _trend_side(phases, tau)
    recent = _recent_side(phases)
    rule.append(_trend_words(phases, line, tau, trend))
    if level and trend == -level and recent != trend:
        rule.append("The two do not agree.")
        return Verdict("no reliable change", tuple(rule))
    side = level if level and trend != -level else trend if trend == recent else 0
    if side and side != level:
        count = facts("change")["recent"]
        way = "better" if side > 0 else "worse"
        rule.append(f"The last {count} are {way} than every baseline value.")
    if not side:
        rule.append(
            "A change is told where that interval lies wholly on one side of half, or where"
            " treatment has a trend and the last values lie beyond the whole baseline. Neither is"
            " so."
        )
        return Verdict("no reliable change", tuple(rule))
    vetoes = _less_trend_veto(phases, side), _error_veto(phases, reliability)
    for explained, words in vetoes:
        rule += [words] if words else []
        if explained:
            return Verdict("no reliable change", tuple(rule))
    return Verdict("improving" if side > 0 else "worsening", tuple(rule))


def _by_trend(phases: Phases, line: Line | None, tau: Tau | None) -> Verdict:
    minimum = facts("change")["minimum"]
    m, n = len(phases.baseline), len(phases.treatment)
    days = len(set(phases.treatment_days))
    if n < minimum["trend"] or days < minimum["treatment"]:
        return Verdict("too few data", (_too_few(m, n),))
    side = _trend_side(phases, tau)
    rule = (
        f"Without a usable baseline ({m} values) the trend of the treatment alone decides: it"
        " cannot tell therapy from other causes.",
        _trend_words(phases, line, tau, side),
    )
    word: Word = "no reliable change"
    if side:
        word = "improving" if side > 0 else "worsening"
    return Verdict(word, rule)


def _too_few(m: int, n: int) -> str:
    minimum = facts("change")["minimum"]
    return (
        f"Too few data: {m} baseline and {n} treatment values. Needed: {minimum['baseline']} and"
        f" {minimum['treatment']} or more, and enough that even complete separation of the two"
        f" could not be chance (exact p below {_ALPHA}); without a baseline {minimum['trend']}"
        f" values on {minimum['treatment']} days or more."
    )


def _side(low: float | None, high: float | None, middle: float) -> int:
    """1 above, -1 below, 0 where the interval holds the middle."""
    if low is None or high is None:
        return 0
    return 1 if low > middle else -1 if high < middle else 0


def _trend_side(phases: Phases, tau: Tau | None) -> int:
    """1 where treatment values get better beyond chance, -1 where they get worse."""
    if tau is None or len(phases.treatment) < facts("change")["minimum"]["trend"]:
        return 0
    return phases.sign * (1 if tau.tau > 0 else -1) if tau.p < _ALPHA else 0


def _trend_words(phases: Phases, line: Line | None, tau: Tau | None, side: int) -> str:
    if tau is None or line is None:
        return "No trend in treatment can be told."
    told = f"Kendall tau {tau.tau:.2f}, p {tau.p:.2g}; slope {_ends(line.per_week)} a week"
    if not side:
        return f"No trend within treatment ({told})."
    flat = "" if line.slope.value else ", the middle one of all pairs being level"
    return f"Within treatment values get {'better' if side > 0 else 'worse'} ({told}{flat})."


def _recent_side(phases: Phases) -> int:
    """1 where the last values are better than every baseline value, -1 where they are worse."""
    before, after = phases.oriented()
    last = after[-facts("change")["recent"] :]
    if min(last) > max(before):
        return 1
    return -1 if max(last) < min(before) else 0


def _ends(estimate: Estimate) -> str:
    low, high = estimate.low, estimate.high
    ends = "" if low is None or high is None else f" ({low:.3g} to {high:.3g})"
    return f"{estimate.value:.3g}{ends}"


def _less_trend_veto(phases: Phases, side: int) -> tuple[bool, str]:
    """Whether the baseline's own trend explains the difference, and the words for it."""
    rest = _less_trend(phases)
    if rest is None:
        return False, ""
    nap = rest.nap
    words = (
        f"The baseline already had a trend; with its line taken off both phases the share is"
        f" {nap.value:.0%} ({nap.low:.0%} to {nap.high:.0%})."
    )
    if _side(nap.low, nap.high, 0.5) != side:
        return True, f"{words} So that trend may explain the difference."
    return False, words


def _less_trend(phases: Phases) -> NonOverlap | None:
    """The overlap with the baseline's line taken off both phases; None without a trend of it."""
    told = facts("change")["baseline-trend"]
    if len(phases.baseline) < told["minimum"]:
        return None
    tau = kendall(phases.baseline_days, phases.baseline)
    line = theil_sen(phases.baseline_days, phases.baseline)
    if tau is None or line is None or not tau.p < told["p-below"]:
        return None
    start = phases.baseline_days[0]
    slope = line.slope.value

    def less(days: Sequence[float], values: Sequence[float]) -> list[float]:
        return [phases.sign * (v - slope * (d - start)) for d, v in zip(days, values, strict=True)]

    a = less(phases.baseline_days, phases.baseline)
    b = less(phases.treatment_days, phases.treatment)
    return non_overlap(*_snapped(a, b))


def _snapped(a: list[float], b: list[float]) -> tuple[list[float], list[float]]:
    """Both lists on a grid: what differs by the rounding of the arithmetic only is a tie."""
    spread = max([*a, *b]) - min([*a, *b])
    scale = max(spread, max(abs(v) for v in [*a, *b]), 1e-300) * 1e-9
    return [round(v / scale) * scale for v in a], [round(v / scale) * scale for v in b]


def _error_veto(phases: Phases, reliability: Reliability | None) -> tuple[bool, str]:
    """Whether the error of measurement explains the difference of the means."""
    single = reliability.minimal_detectable_change if reliability else None
    if reliability is None or single is None:
        return False, ""
    recent = list(phases.treatment[-facts("change")["recent"] :])
    m, k = len(phases.baseline), len(recent)
    change = statistics.fmean(recent) - statistics.fmean(phases.baseline)
    needed = single * math.sqrt((1 / m + 1 / k) / 2)
    words = (
        f"Mean of the last {k} values less mean of the {m} baseline values: {change:+.3g};"
        f" error of measurement explains up to {needed:.3g} for means of so many values"
        f" ({single:.3g} for two single ones; {reliability.words})"
    )
    return abs(change) <= needed, words
