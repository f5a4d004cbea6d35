"""Section: what was measured, and did it change?"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence

from service.handover.care_document.markup import Node, listing, paragraph, table
from service.handover.care_document.material import Material
from service.handover.care_document.section import Section
from service.handover.care_document.trends import arrows, bars, spread
from service.handover.care_document.words import (
    called,
    day_words,
    number_words,
    unit_words,
)
from service.therapy.change.series import Change
from service.therapy.course.readings import Value
from service.therapy.progress.compared import Compared
from service.therapy.progress.report import conclusion
from service.therapy.progress.warnings import named
from service.therapy.quantities import interval

_HEADS = ["Measure", "Better", "Before", "Under the plan", "Last value", "A week", "Answer"]
_COURSE = ["Measure", "Before", "Under the plan", "Picture"]
_BARS = 24


def outcomes(material: Material) -> Section:
    """Every measure with its baseline, its course and the verdict."""
    progress = material.progress
    changes = [change for change in progress.changes if change.values]
    body: list[Node] = []
    if changes:
        body = [
            paragraph(conclusion(progress)),
            *table("Change of each measure", _HEADS, map(_row, changes)),
            *table("Course of each measure", _COURSE, map(_course, changes)),
            *table(
                "This version of the plan against the one before", _VERSIONS, _versions(material)
            ),
            *listing(_lines(material, changes)),
        ]
    used = [value.reference for change in changes for value in change.values]
    levels = [name for goal in progress.goals for name in goal.level.references]
    sides = [v.reference for pair in progress.sides for v in (pair.left, pair.right)]
    return Section(
        "outcomes",
        "Outcomes and change",
        ("11383-7", "Patient problem outcome Narrative"),
        body,
        [*used, *(name for name in levels if name.startswith("Observation/")), *sides],
        "notstarted",
        "Nothing that was measured bears on this plan yet.",
    )


_VERSIONS = ["Measure", "Before", "Values before", "Values now", "Answer"]


def _row(change: Change) -> list[str]:
    direction = {"increase": "higher", "decrease": "lower", None: "neither"}
    latest = change.latest
    week = change.line.per_week if change.line else None
    return [
        named(change),
        direction[change.measure.direction],
        _summary(change.baseline, change.unit),
        _summary(change.treatment, change.unit),
        f"{number_words(latest.number, change.unit)}, {day_words(latest.at.day)}" if latest else "",
        f"{interval(week)} {unit_words(change.unit)}" if week else "",
        change.verdict or "no verdict",
    ]


def _summary(values: Sequence[Value], unit: str) -> str:
    if not values:
        return "no value"
    middle = statistics.median(value.number for value in values)
    count = "1 value" if len(values) == 1 else f"median of {len(values)}"
    return f"{number_words(middle, unit)} ({count})"


def _course(change: Change) -> list[str]:
    before, under = ([v.number for v in part] for part in (change.baseline, change.treatment))
    return [
        f"{named(change)}{f' ({unit_words(change.unit)})' if change.unit else ''}",
        arrows(before),
        arrows(under),
        bars(spread([*before, *under], _BARS)),
    ]


def _versions(material: Material) -> Iterable[list[str]]:
    for change in material.progress.versions:
        site = f", {called(change.site)}" if change.site else ""
        yield [
            change.measure.name + site,
            "the plan before" if "/_history/" not in change.before else "the version before",
            str(change.before_count),
            str(change.count),
            change.verdict or "no verdict",
        ]


def _lines(material: Material, changes: Sequence[Change]) -> Iterable[str]:
    progress = material.progress
    for change, compared in zip(progress.changes, progress.compared, strict=True):
        if not change.values:
            continue
        yield f"{named(change)}: {' '.join(change.rule)}"
        yield from _beside(change, compared)
    for pair in progress.sides:
        ratio = pair.result.ratio
        told = f" (left by right {number_words(ratio)})" if ratio is not None else ""
        yield (
            f"{pair.measure.name}, last session with both sides: left"
            f" {number_words(pair.left.number, pair.left.unit)}, right"
            f" {number_words(pair.right.number, pair.right.unit)}{told}."
        )


def _beside(change: Change, compared: Compared) -> Iterable[str]:
    norm = compared.norm
    if norm is not None and change.latest is not None:
        yield (
            f"{named(change)}: {number_words(norm.percent(change.latest.number))} % of the norm"
            f" {number_words(norm.mean, norm.unit)} ({norm.group}; {norm.source}; {norm.status})."
        )
    for limit in compared.limits:
        side = "outside" if limit.abnormal else "within"
        yield f"{named(change)}, last value {side} published limits: {limit.words}"
    day, latest = change.projection.day, change.latest
    if change.target is not None and latest is not None and day is not None and day > latest.at.day:
        yield (
            f"{named(change)}: at this pace the target {number_words(change.target, change.unit)}"
            f" is reached about {day_words(day)}; a projection, no promise."
        )
