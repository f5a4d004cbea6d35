"""The answer as Parameters: one `measure` a measure, one `goal` a goal, and so on.

Documented in mappings/operations/CarePlan-progress.json. A part that cannot be computed is left
out; `rule` says why. Numbers are rounded to ten digits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from service.therapy.change.series import Change
from service.therapy.course.dose import TechniqueDose, Week
from service.therapy.course.readings import Value
from service.therapy.course.responses import ImmediateEffect, TechniqueResponse
from service.therapy.course.sessions import WithinSession
from service.therapy.course.versions import VersionChange
from service.therapy.direct.swallow_delay import Delay
from service.therapy.facts import Estimate
from service.therapy.goal_attainment import Attainment
from service.therapy.moments import iso
from service.therapy.progress.agreed import Agreed
from service.therapy.progress.answer import Progress
from service.therapy.progress.compared import Compared, Sides
from service.therapy.progress.goals import GoalProgress
from service.therapy.quantities import quantity, rounded

Resource = dict[str, Any]
Written = Callable[[Value], Resource | None]
"""Gives the Quantity of a value as it was written."""


def parameters(progress: Progress, written: Written) -> Resource:
    """The Parameters resource."""
    found: list[Resource] = []
    for change, compared in zip(progress.changes, progress.compared, strict=True):
        found.append(_measure(change, compared, written))
    found += map(_version, progress.versions)
    found += map(_goal, progress.goals)
    found.append(_attainment(progress.attainment))
    found += map(_dose, progress.doses)
    found += map(_response, progress.responses)
    found += map(_effect, progress.effects)
    found += map(_within, progress.within)
    found += map(_sides, progress.sides)
    found += map(_agreed, progress.agreed)
    found += [{"name": "caution", "valueString": text} for text in progress.cautions]
    return {"resourceType": "Parameters", "parameter": found}


def latest_quantity(change: Change, written: Written) -> Resource | None:
    """The last value: as written where it is in the unit of the series, else converted."""
    if change.latest is None:
        return None
    if change.latest.source is not None and change.latest.unit in ("", change.unit):
        return written(change.latest) or quantity(change.latest.number, change.unit)
    return quantity(change.latest.number, change.unit)


def _measure(change: Change, compared: Compared, written: Written) -> Resource:
    weekly = change.line.per_week if change.line else None
    nap = change.overlap.nap if change.overlap else None
    date = change.projection
    parts = [
        _part("code", "Coding", change.measure.coding()),
        _part("body-site", "Coding", change.site),
        _part("unit", "String", change.unit or None),
        _part("direction", "Code", change.measure.direction),
        _part("baseline-count", "Integer", len(change.baseline)),
        _part("treatment-count", "Integer", len(change.treatment)),
        _part("latest", "Quantity", latest_quantity(change, written)),
        *_estimate("slope", weekly),
        _decimal("tau", change.tau.tau if change.tau else None),
        _decimal("tau-u", change.tau_u),
        *_estimate("nap", nap),
        _decimal("band-low", change.band.low if change.band else None),
        _decimal("band-high", change.band.high if change.band else None),
        _decimal("reliable-change", change.reliable_change),
        _decimal("minimal-detectable-change", change.minimal_detectable_change),
        _decimal("target", change.target),
        _date("projected", date.day),
        _date("projected-earliest", date.earliest),
        _date("projected-latest", date.latest),
        *_norm(change, compared),
        _part("verdict", "Code", change.verdict),
        _part("rule", "String", " ".join(rule_of(change, compared)) or None),
        *(_reference("based-on", value.reference) for value in change.values),
    ]
    return _named("measure", parts)


def rule_of(change: Change, compared: Compared) -> Iterable[str]:
    """The rule behind the verdict, and why parts are absent."""
    yield from change.rule
    if compared.norm is None and compared.reason:
        yield f"No percent of a norm: {compared.reason.rstrip('.')}."


def _norm(change: Change, compared: Compared) -> Iterable[Resource | None]:
    if compared.norm is not None and change.latest is not None:
        norm = compared.norm
        yield _decimal("percent-of-norm", norm.percent(change.latest.number))
        yield _decimal("norm-z", norm.z(change.latest.number))
        text = f"{norm.words} ({norm.status}). {compared.reason}"
        yield _part("norm", "String", text)
    for limit in compared.limits:
        side = "outside" if limit.abnormal else "within"
        yield _part("limit", "String", f"{side}: {limit.words}")


def _version(change: VersionChange) -> Resource:
    nap = change.overlap.nap if change.overlap else None
    parts = [
        _part("code", "Coding", change.measure.coding()),
        _part("body-site", "Coding", change.site),
        _reference("before", change.before),
        _part("before-count", "Integer", change.before_count),
        _part("count", "Integer", change.count),
        *_estimate("nap", nap),
        _part("verdict", "Code", change.verdict),
    ]
    return _named("plan-before", parts)


def _goal(goal: GoalProgress) -> Resource:
    parts = [
        _reference("reference", goal.reference),
        _part("score", "Integer", goal.level.achieved),
        _part("baseline-score", "Integer", goal.level.baseline),
        _decimal("weight", goal.weight),
        _part("proposed-status", "Code", goal.proposed),
        _part("rule", "String", goal.level.rule),
        *(_reference("based-on", reference) for reference in goal.level.references),
    ]
    return _named("goal", parts)


def _attainment(attainment: Attainment) -> Resource:
    parts = [
        _decimal("baseline", attainment.baseline),
        _decimal("achieved", attainment.achieved),
        _decimal("change", attainment.change),
        _part("goals", "Integer", attainment.goals),
        _part("rule", "String", "; ".join(attainment.reasons) or None),
    ]
    return _named("goal-attainment", parts)


def _dose(dose: TechniqueDose) -> Resource:
    parts = [
        _part("technique", "Coding", dose.technique),
        _decimal("ordered", dose.sessions.ordered),
        _decimal("delivered", dose.sessions.given),
        _decimal("adherence", dose.sessions.adherence),
        _decimal("left", dose.left),
        _decimal("right", dose.right),
        _decimal("side-ratio", dose.side_ratio),
        _decimal("ordered-a-side", dose.strokes_a_side),
        *(
            _named(
                "amount",
                [
                    _part("kind", "Code", amount.kind),
                    _decimal("ordered", amount.ordered),
                    _decimal("delivered", amount.given),
                    _decimal("adherence", amount.adherence),
                ],
            )
            for amount in dose.amounts
        ),
        *(
            _named(
                "missed",
                [
                    _part("reason", "Coding", dose.reasons[name] or {"display": name}),
                    _part("sessions", "Integer", count),
                ],
            )
            for name, count in sorted(dose.missed.items())
        ),
        *map(_week, dose.weeks),
        *(_part("published", "String", text) for text in dose.published),
        *(_reference("based-on", reference) for reference in dose.references),
    ]
    return _named("dose", parts)


def _week(week: Week) -> Resource:
    parts = [
        _date("start", week.first_day),
        _decimal("ordered", week.ordered),
        _part("delivered", "Integer", week.given),
        _decimal("left", week.left),
        _decimal("right", week.right),
        _decimal("minutes", week.minutes),
    ]
    return _named("week", parts)


def _response(response: TechniqueResponse) -> Resource:
    parts = [
        _part("technique", "Coding", response.technique),
        _part("sessions", "Integer", response.sessions),
        _part("wanted", "Integer", response.wanted),
        *_estimate("share", response.share),
        _decimal("early-share", response.early),
        _decimal("late-share", response.late),
        _part("trials", "Integer", response.trials or None),
        _part("wanted-trials", "Integer", response.wanted_trials if response.trials else None),
        *_estimate("trial-share", response.trial_share),
        *_delay(response.delay),
        *(_reference("based-on", reference) for reference in response.references),
    ]
    return _named("technique-response", parts)


def _delay(delay: Delay | None) -> list[Resource | None]:
    if delay is None:
        return []
    return [
        _part("delays", "Integer", delay.trials),
        _decimal("delay-mean", delay.mean),
        _decimal("delay-median", delay.median),
        _decimal("delay-spread", delay.spread),
    ]


def _effect(effect: ImmediateEffect) -> Resource:
    parts = [
        _part("code", "Coding", effect.measure.coding()),
        _part("body-site", "Coding", effect.site),
        *(_part("technique", "Coding", technique) for technique in effect.techniques),
        _part("sessions", "Integer", effect.pairs),
        _part("better", "Integer", effect.better),
        *_estimate("change", effect.change),
        *(_reference("based-on", reference) for reference in effect.references),
    ]
    return _named("immediate-effect", parts)


def _within(within: WithinSession) -> Resource:
    parts = [
        _part("code", "Coding", within.measure.coding()),
        _part("body-site", "Coding", within.site),
        _part("sessions", "Integer", within.sessions),
        _decimal("first", within.first),
        _decimal("lowest", within.lowest),
        *_estimate("change", within.change),
        _part("falls", "Integer", within.falls),
        *(_reference("based-on", reference) for reference in within.references),
    ]
    return _named("within-session", parts)


def _sides(sides: Sides) -> Resource:
    parts = [
        _part("code", "Coding", sides.measure.coding()),
        _decimal("left", sides.left.number),
        _decimal("right", sides.right.number),
        _decimal("asymmetry-index", sides.result.symmetry_index),
        _decimal("ratio", sides.result.ratio),
        _reference("based-on", sides.left.reference),
        _reference("based-on", sides.right.reference),
    ]
    return _named("sides", parts)


def _agreed(agreed: Agreed) -> Resource:
    found = agreed.result
    parts = [
        _part("code", "Coding", agreed.coding),
        *(_reference("rater", rater) for rater in agreed.raters),
        _part("count", "Integer", found.ratings),
        _decimal("percent", 100 * found.share),
        _decimal("kappa", found.kappa),
        _decimal("kappa-low", found.low),
        _decimal("kappa-high", found.high),
        _part("weights", "Code", agreed.weights),
        _part("rule", "String", agreed.rule),
        *(_reference("based-on", reference) for reference in agreed.references),
    ]
    return _named("agreement", parts)


def _named(name: str, parts: Iterable[Resource | None]) -> Resource:
    return {"name": name, "part": [part for part in parts if part is not None]}


def _part(name: str, kind: str, value: object) -> Resource | None:
    return None if value is None else {"name": name, f"value{kind}": value}


def _decimal(name: str, number: float | None) -> Resource | None:
    return _part(name, "Decimal", rounded(number))


def _estimate(name: str, estimate: Estimate | None) -> list[Resource | None]:
    if estimate is None:
        return []
    return [
        _decimal(name, estimate.value),
        _decimal(f"{name}-low", estimate.low),
        _decimal(f"{name}-high", estimate.high),
    ]


def _date(name: str, day: float | None) -> Resource | None:
    return None if day is None else {"name": name, "valueDate": iso(day)}


def _reference(name: str, reference: str) -> Resource:
    return {"name": name, "valueReference": {"reference": reference}}
