"""Is this plan helping? Change, goals, dose, responses and cautions, put together.

Pure: a `Course` in, a `Progress` out; the forms beside it turn it into FHIR.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.therapy.change.series import Change, change_of, latest_of
from service.therapy.course.course import Course
from service.therapy.course.dose import TechniqueDose, technique_doses
from service.therapy.course.readings import Series
from service.therapy.course.responses import (
    ImmediateEffect,
    TechniqueResponse,
    immediate_effects,
    technique_responses,
)
from service.therapy.course.sessions import WithinSession, within_sessions
from service.therapy.course.versions import VersionChange, version_changes, version_days
from service.therapy.direct.parts import Convert
from service.therapy.goal_attainment import Attainment, attainment
from service.therapy.measures import Measure, known_measures
from service.therapy.progress import warnings
from service.therapy.progress.agreed import Agreed, agreed
from service.therapy.progress.compared import Compared, Sides, compared, sides_of
from service.therapy.progress.goals import (
    GoalProgress,
    aim_of,
    aims_of,
    goal_progress,
    own_goals,
)
from service.therapy.references import named, target, targets

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Progress:
    """The answer."""

    course: Course
    changes: Sequence[Change]
    compared: Sequence[Compared]
    """One for each change."""
    versions: Sequence[VersionChange]
    goals: Sequence[GoalProgress]
    attainment: Attainment
    doses: Sequence[TechniqueDose]
    responses: Sequence[TechniqueResponse]
    effects: Sequence[ImmediateEffect]
    sides: Sequence[Sides]
    cautions: Sequence[str]
    agreed: Sequence[Agreed]
    within: Sequence[WithinSession]


def progress_of(
    course: Course,
    convert: Convert,
    patient: Resource | None = None,
    devices: Mapping[str, Resource] | None = None,
    warned: Sequence[str] = (),
) -> Progress:
    """Compute everything.

    `devices` are those that the values name, for the choice of norms; `warned` are warnings that
    the rules of `therapy/cautions` give on the plan.
    """
    goals = own_goals(course)
    aims = aims_of(course, goals, convert)
    used = [s for s in course.series if s.of("baseline") or s.of("treatment")]
    wanted = [s for s in used if _is_asked(course, s.measure)]
    wanted += _asked_in_vain(course, wanted)
    every = {series.key: series for series in [*used, *wanted]}
    all_changes = {
        key: change_of(series, aim_of(aims, series), course.times.since)
        for key, series in every.items()
    }
    changes = [all_changes[s.key] for s in wanted]
    told = goal_progress(course, goals, aims, all_changes)
    doses = technique_doses(course.orders, course.deliveries, course.first_day, course.last_day)
    responses = technique_responses(course.responses, course.deliveries)
    material = course.material
    moved = within_sessions(course.series)
    told_of = [
        *warnings.recorded(material.flags, material.issues, course.plan),
        *warned,
        *warnings.from_change(changes),
        *warnings.from_sessions(moved),
        *warnings.from_doses(doses),
        *warnings.from_responses(responses),
        *_gaps(course, goals),
    ]
    pairs = [(goal.level.baseline, goal.level.achieved, goal.weight) for goal in told]
    return Progress(
        course,
        changes,
        [compared(change, patient, devices or {}) for change in changes],
        version_changes(
            wanted,
            course.plan,
            version_days(material.versions),
            course.replaced,
            {key: change.measure for key, change in all_changes.items()},
        ),
        told,
        attainment(pairs),
        doses,
        responses,
        immediate_effects(used, course.deliveries),
        sides_of(wanted),
        list(dict.fromkeys(told_of)),
        agreed(course.rated),
        moved,
    )


def measuring_devices(course: Course) -> set[str]:
    """The devices that the last values were taken with."""
    last = (latest_of(series) for series in course.series)
    return {value.device for value in last if value is not None and value.device}


def _is_asked(course: Course, measure: Measure) -> bool:
    asked = course.question.measures
    if not asked:
        return True
    names = {
        (system, code) for (system, code), known in known_measures().items() if known == measure
    } | {(measure.system, measure.code)}
    return any(code == own and system in (None, of) for system, code in asked for of, own in names)


def _asked_in_vain(course: Course, found: Sequence[Series]) -> list[Series]:
    """Empty series for known measures that were asked for and never measured."""
    have = {(series.measure.system, series.measure.code) for series in found}
    missing = {
        known.code: known
        for (system, code), known in known_measures().items()
        for wanted_system, wanted in course.question.measures
        if code == wanted and wanted_system in (None, system)
        if (known.system, known.code) not in have
    }
    return [Series(known, None, unit=known.unit or "") for known in missing.values()]


def _gaps(course: Course, goals: Sequence[Resource]) -> list[str]:
    """What of the plan could not be read."""
    found = []
    listed = set(targets(course.material.plan.get("goal"), course.material.base))
    missing = len(listed - {named(goal) for goal in course.material.goals})
    if missing:
        found.append(f"{missing} of the plan's goals could not be read.")
    if course.times.plan.start is None:
        found.append(
            "The plan has no start: only values marked as baseline are taken as baseline, and only"
            " values linked to the plan as treatment."
        )
    unread = target(course.material.plan.get("subject"), course.material.base) is None
    return [*found, *(["The plan names no client of this service."] if unread else [])]
