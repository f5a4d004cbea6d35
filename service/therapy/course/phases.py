"""Does a value belong to the baseline or to the treatment of this plan?

An explicit phase on the Observation wins. Else what was measured before the plan began is
baseline, what lies within its period is treatment, what lies after it is follow-up and not
counted. The look-back for the baseline is six months or as asked; by default it reaches no
further than the start of the plan that this one replaces, whose baseline is its own. A value that
is marked as baseline counts even before the look-back, or within the plan, unless another plan
began between it and this one, or after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from service.therapy.moments import Moment

Phase = Literal["baseline", "treatment", "follow-up"]
Link = Literal["own", "other", "none"]
Placed = Literal["baseline", "treatment", "follow-up", "elsewhere", "undated"]


@dataclass(frozen=True, slots=True)
class Span:
    """A period; an open end is None."""

    start: Moment | None = None
    end: Moment | None = None

    def holds(self, at: Moment) -> bool:
        """Whether a moment lies within; the end's day belongs to it."""
        if self.start is not None and at.is_before(self.start):
            return False
        return self.end is None or not self.end.is_before(at) or at.day == self.end.day


@dataclass(frozen=True, slots=True)
class PlanTimes:
    """The times of a plan and of the client's other plans."""

    plan: Span
    since: int | None
    """First day of the look-back; None where the plan has no start."""
    asked: Span = field(default=Span())
    """Only treatment within it counts."""
    others: Sequence[Span] = ()
    """The periods of the client's other plans."""
    strict: bool = False
    """The look-back was asked for: nothing before it counts, however it is marked."""


def place(explicit: Phase | None, at: Moment | None, link: Link, times: PlanTimes) -> Placed:
    """Where a value belongs; `link` says to which plan the value refers."""
    if at is None:
        return "undated"
    phase = explicit or _by_time(at, link, times.plan)
    if phase == "baseline":
        return "baseline" if _is_our_baseline(explicit, at, link, times) else "elsewhere"
    if phase == "treatment":
        if link == "other" or (link == "none" and not _is_our_treatment(at, times)):
            return "elsewhere"
        return "treatment" if times.asked.holds(at) else "elsewhere"
    return "follow-up" if phase == "follow-up" else "elsewhere"


def _by_time(at: Moment, link: Link, plan: Span) -> Phase | None:
    if plan.start is None:
        return "treatment" if link == "own" and plan.holds(at) else None
    if at.is_before(plan.start):
        return "baseline"
    return "treatment" if plan.holds(at) else "follow-up"


def _is_our_baseline(explicit: Phase | None, at: Moment, link: Link, times: PlanTimes) -> bool:
    if explicit and link != "none":
        return link == "own"
    start = times.plan.start
    if start is not None and not at.is_before(start):
        # Marked as baseline, but this plan had begun: perhaps that of a later one.
        return times.plan.holds(at) and not _another_began(at, None, times)
    if times.since is None or at.day >= times.since:
        return True
    return bool(explicit) and not times.strict and not _another_began(at, start, times)


def _another_began(at: Moment, until: Moment | None, times: PlanTimes) -> bool:
    """Whether another plan began after the value, and not after `until`."""
    starts = [other.start for other in times.others if other.start is not None]
    return any(
        at.is_before(start) and (until is None or not until.is_before(start)) for start in starts
    )


def _is_our_treatment(at: Moment, times: PlanTimes) -> bool:
    """Whether an unlinked value in treatment can be this plan's: in its period, or in nobody's."""
    return times.plan.holds(at) or not any(other.holds(at) for other in times.others)


def months_before(day: int, months: int) -> int:
    """The day some months earlier; the last of the month where it has no such day."""
    whole = date.fromordinal(day)
    index = whole.year * 12 + whole.month - 1 - months
    year, month = divmod(index, 12)
    if year < 1:
        return 1
    for last in (whole.day, 30, 29, 28):
        try:
            return date(year, month + 1, min(whole.day, last)).toordinal()
        except ValueError:
            continue
    raise AssertionError("every month has 28 days")
