"""Did the last revision of the plan help? This version of it against the one before.

A version is told from the one before by its status, goals, activities or notes; it holds from the
day after its newest note, or else after it was stored. Where there is no earlier version, the plan
that this one replaces stands for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.therapy.change.overlap import NonOverlap, attainable_p, non_overlap
from service.therapy.change.verdict import Word
from service.therapy.course.readings import Series, Value
from service.therapy.facts import facts
from service.therapy.measures import Measure
from service.therapy.moments import moment

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class VersionChange:
    """Values under this version against those under the one before."""

    measure: Measure
    site: Resource | None
    before: str
    """Reference of the version or plan before."""
    before_count: int
    count: int
    overlap: NonOverlap | None
    verdict: Word | None


def version_days(versions: Sequence[tuple[Resource, int]]) -> list[tuple[int, int]]:
    """(number, last day before it holds) of each version that changed the plan.

    `versions` are (resource, day it was stored) in their order, with `meta.versionId`.
    """
    found: list[tuple[int, int]] = []
    before: tuple[object, ...] | None = None
    noted = 0
    for resource, stored in versions:
        content = tuple(str(resource.get(name)) for name in ("status", "goal", "activity", "note"))
        notes = [moment(note["time"]) for note in resource.get("note", ()) if "time" in note]
        newest = max((note.day for note in notes if note), default=0)
        day = newest if newest > noted else stored
        noted = max(noted, newest)
        if content != before and (not found or day > found[-1][1]):
            found.append((int(resource["meta"]["versionId"]), day))
        before = content
    return found


def version_changes(
    series: Sequence[Series],
    plan: str,
    days: Sequence[tuple[int, int]],
    replaced: Sequence[str],
    measures: Mapping[tuple[str, str, str], Measure],
) -> list[VersionChange]:
    """For each series, the last version with values against the one before it.

    `measures` tells the better direction of each series, which may be a goal's.
    """
    treatment = [value.at.day for one in series for value in one.of("treatment")]
    if not treatment:
        return []
    newest = max(treatment)
    held = [(number, day) for number, day in days if day < newest]
    if len(held) >= 2:
        (before_number, begin), (_, change) = held[-2:]
        before = f"{plan}/_history/{before_number}"
        first = begin if len(held) > 2 else -1
        pairs = [
            (
                one,
                [v for v in one.of("treatment") if first < v.at.day <= change],
                [v for v in one.of("treatment") if v.at.day > change],
            )
            for one in series
        ]
    elif replaced:
        before = replaced[0]
        pairs = [
            (
                one,
                [v for v in one.of("elsewhere") if v.other_plan == before],
                one.of("treatment"),
            )
            for one in series
        ]
    else:
        return []
    return [
        _compared(measures[one.key], one.site, before, old, new)
        for one, old, new in pairs
        if old and new
    ]


def _compared(
    measure: Measure,
    site: Resource | None,
    before: str,
    old: Sequence[Value],
    new: Sequence[Value],
) -> VersionChange:
    sign = {"decrease": -1, "increase": 1, None: 0}[measure.direction]
    overlap = None
    if sign:
        overlap = non_overlap([sign * v.number for v in old], [sign * v.number for v in new])
    verdict: Word | None = None
    if overlap is not None:
        verdict = _word(overlap, len(old), len(new))
    return VersionChange(measure, site, before, len(old), len(new), overlap, verdict)


def _word(overlap: NonOverlap, m: int, n: int) -> Word:
    least = facts("change")["minimum"]["baseline"]
    low, high = overlap.nap.low, overlap.nap.high
    if min(m, n) < least or attainable_p(m, n) >= 0.05 or low is None or high is None:
        return "too few data"
    if low > 0.5:
        return "improving"
    return "worsening" if high < 0.5 else "no reliable change"
