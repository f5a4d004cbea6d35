"""How do the goals of a plan stand? Each goal with the series it is about.

A goal names a measure, not a body site: of several sites the one that its outcome names is meant,
else the one that is furthest behind.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.therapy.change.series import Change
from service.therapy.course.course import Course
from service.therapy.course.goals import (
    ACHIEVEMENT,
    Level,
    Measured,
    Target,
    goal_name,
    level_of,
    proposed_status,
    targets_of,
    weights_of,
)
from service.therapy.course.readings import Series
from service.therapy.direct.parts import Convert
from service.therapy.moments import day_of
from service.therapy.references import coding_in, named, targets

Resource = dict[str, Any]
Aim = tuple[Resource, Target, Series | None]
"""A goal, its first numeric target, and the series it is about."""


@dataclass(frozen=True, slots=True)
class GoalProgress:
    """One goal of the plan."""

    reference: str
    name: str
    level: Level
    weight: float
    status: str | None
    proposed: str


def own_goals(course: Course) -> list[Resource]:
    """The plan's goals in its order, but those entered in error or rejected."""
    known = {named(goal): goal for goal in course.material.goals}
    listed = targets(course.material.plan.get("goal"), course.material.base)
    found = [known[name] for name in dict.fromkeys(listed) if name in known]
    left = ("entered-in-error", "rejected")
    return [goal for goal in found if goal.get("lifecycleStatus") not in left]


def aims_of(course: Course, goals: Iterable[Resource], convert: Convert) -> list[Aim]:
    """Each goal with its first numeric target and the series it is about."""
    found: list[Aim] = []
    for goal in goals:
        rows = targets_of(goal, convert)
        if rows:
            found.append((goal, rows[0], _series_for(course, goal, rows[0])))
    return found


def _series_for(course: Course, goal: Resource, aim: Target) -> Series | None:
    """Of several sites the one that the goal's outcome names, else the one furthest behind."""
    own = [
        s
        for s in course.series
        if (s.measure.system, s.measure.code) == (aim.measure.system, aim.measure.code)
        and s.of("treatment")
    ]
    if len(own) < 2:
        return own[0] if own else None
    outcomes = set(targets(goal.get("outcomeReference"), course.material.base))
    for series in own:
        if outcomes & {value.reference for value in series.values}:
            return series
    sign = -1 if aim.direction == "decrease" else 1
    return min(own, key=lambda s: (sign * s.of("treatment")[-1].number, s.key))


def aim_of(aims: Sequence[Aim], series: Series) -> Target | None:
    """The target of a series: of an active goal before others."""
    mine = [(goal, aim) for goal, aim, found in aims if found is series]
    mine.sort(key=lambda pair: pair[0].get("lifecycleStatus") not in ("active", "accepted"))
    return mine[0][1] if mine else None


def goal_progress(
    course: Course,
    goals: Sequence[Resource],
    aims: Sequence[Aim],
    changes: Mapping[tuple[str, str, str], Change],
) -> list[GoalProgress]:
    weights = weights_of(goals)
    by_goal = {named(goal): (aim, series) for goal, aim, series in aims}
    found = []
    for goal, weight in zip(goals, weights, strict=True):
        name = named(goal)
        aim, series = by_goal.get(name, (None, None))
        change = changes.get(series.key) if series else None
        level = level_of(name, aim, _measured(series), course.entries)
        now = coding_in(goal.get("achievementStatus"), ACHIEVEMENT)
        due = aim.due if aim else _due(goal)
        verdict = change.verdict if change else None
        proposed = proposed_status(goal, level, verdict, due, course.question.today)
        found.append(
            GoalProgress(
                name, goal_name(goal), level, weight, now["code"] if now else None, proposed
            )
        )
    return found


def _due(goal: Resource) -> int | None:
    days = [day_of(row.get("dueDate")) for row in goal.get("target", ())]
    return max((day for day in days if day is not None), default=None)


def _measured(series: Series | None) -> Measured | None:
    if series is None:
        return None
    baseline, treatment = series.of("baseline"), series.of("treatment")
    if not treatment:
        return None
    used = (*(value.reference for value in baseline), treatment[-1].reference)
    return Measured([value.number for value in baseline], treatment[-1].number, used)
