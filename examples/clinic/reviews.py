"""What happens when a plan is written or reviewed? One transaction with all that changes.

The opening Bundle also brings the client. A review may bring new problems, cautions, a progress
report (LOINC 11512-1, at the end 68841-6), a detected issue or a referral back.
"""

from __future__ import annotations

from datetime import time

from .codes import LOINC, Json, concept, own, snomed
from .elements import by_identifier, identifier, moment, narrative, period, reference
from .ledger import Ledger, Taken
from .model import Course
from .people import DEFER, about, condition, flag
from .plans import (
    Version,
    care_plan,
    diet_resource,
    goal_resource,
    goal_state,
    order_resource,
    order_status,
)
from .staff import therapist, therapist_name
from .transactions import put, transaction
from .weeks import Year

_WRITTEN_AT = time(16, 30)

_PROGRESS = {
    "system": LOINC,
    "code": "11512-1",
    "display": "Speech-language pathology Progress note",
}
_DISCHARGE = {
    "system": LOINC,
    "code": "68841-6",
    "display": "Speech-language pathology Discharge summary",
}


def _observation(taken: Taken) -> Json:
    return by_identifier("Observation", "observation", taken.number)


def _goals(version: Version, ledger: Ledger) -> list[Json]:
    """Goals that are new or judged anew at this stage."""
    client = version.course.client.slug
    changed = []
    for goal in version.plan.goals:
        if version.place and goal.slug not in version.stage.goals:
            continue
        taken = ledger.last(client, goal.measure)
        judged = goal_state(version, goal)[1] != "in-progress"
        outcome = _observation(taken) if judged and taken else None
        changed.append(goal_resource(version, goal, outcome))
    return changed


def _orders(version: Version) -> list[Json]:
    """Orders that are new, held or ended at this stage."""
    before = version._replace(place=version.place - 1) if version.place else None
    changed = []
    for order in version.plan.orders:
        now = order_status(version, order)
        if now and (before is None or order_status(before, order) != now):
            changed.append(order_resource(version, order))
    return changed


def _diets(version: Version) -> list[Json]:
    seen = {stage.diet for stage in version.stages}
    ending = version.stage.status in ("completed", "revoked")
    if not (version.stage.diet or ending):
        return []
    return [diet_resource(version, diet) for diet in version.plan.diets if diet.slug in seen]


def _report(version: Version, ledger: Ledger) -> list[Json]:
    """The progress or discharge report written at this stage, if any."""
    if not version.stage.report:
        return []
    course, plan = version.course, version.plan
    ended = version.stage.status in ("completed", "revoked")
    taken = [
        found for trend in course.trends if (found := ledger.last(course.client.slug, trend.key))
    ]
    title = f"{'Discharge' if ended else 'Progress'} report: {plan.title}"
    author = reference(therapist(course.therapist), therapist_name(course.therapist))
    day = version.written
    return [
        {
            "resourceType": "DiagnosticReport",
            "id": f"{course.client.slug}-report-{day:%Y-%m-%d}",
            "text": narrative(
                title,
                [(found.label, f"{found.text} ({found.day})") for found in taken],
                [version.stage.report],
            ),
            "identifier": [identifier("report", version.number(f"{day:%Y%m%d}"))],
            "basedOn": [reference(version.target("CarePlan", plan.slug))],
            "status": "final",
            "category": [concept(text="Speech-language pathology")],
            "code": concept(_DISCHARGE if ended else _PROGRESS),
            "subject": version.subject,
            "effectivePeriod": period(version.start.isoformat(), day.isoformat()),
            "issued": moment(day, _WRITTEN_AT),
            "performer": [author],
            "result": [_observation(found) for found in taken],
            "conclusion": f"{version.stage.report} {DEFER}",
        }
    ]


def _issue(version: Version) -> list[Json]:
    if not version.stage.issue:
        return []
    return [
        {
            "resourceType": "DetectedIssue",
            "id": f"{version.course.client.slug}-issue-{version.written:%Y-%m-%d}",
            "identifier": [identifier("issue", version.number(f"{version.written:%Y%m%d}"))],
            "status": "final",
            "code": concept(own("caution", "saturation-falling")),
            "severity": "moderate",
            "patient": version.subject,
            "identifiedDateTime": moment(version.written, _WRITTEN_AT),
            "author": reference(therapist(version.course.therapist)),
            "implicated": [reference(version.target("CarePlan", version.plan.slug))],
            "detail": f"{version.stage.issue} {DEFER}",
        }
    ]


def _referral(version: Version) -> list[Json]:
    if not version.stage.referral:
        return []
    course = version.course
    return [
        {
            "resourceType": "ServiceRequest",
            "id": f"{course.client.slug}-referral",
            "identifier": [identifier("order", version.number("referral"))],
            "basedOn": [reference(version.target("CarePlan", version.plan.slug))],
            "status": "active",
            "intent": "order",
            "category": [concept(text="Referral back to the referring physician")],
            "priority": "urgent",
            "code": concept(snomed("241149003"), text="Instrumental study of the swallow"),
            "subject": version.subject,
            "authoredOn": moment(version.written, _WRITTEN_AT),
            "requester": reference(therapist(course.therapist), therapist_name(course.therapist)),
            "performerType": concept(text="Referring physician"),
            "reasonReference": [
                reference(version.target("Condition", slug)) for slug in version.plan.problems
            ],
            "note": [{"text": f"{version.stage.referral} {DEFER}"}],
        }
    ]


def _changes(version: Version, ledger: Ledger) -> list[Json]:
    """All that is written at this stage, what is referred to before what refers to it."""
    course, year, week = version.course, version.year, version.stage.week
    return [
        *(condition(course, problem, year, week) for problem in version.stage.problems),
        *(flag(course, caution, year, week) for caution in version.stage.cautions),
        *_goals(version, ledger),
        *_orders(version),
        *_diets(version),
        *_referral(version),
        care_plan(version),
        *_issue(version),
        *_report(version, ledger),
    ]


def opening(course: Course, year: Year) -> Json:
    """The Bundle with the client, what is known of them, and the first plan."""
    version = Version(course, course.plans[0], 0, year)
    resources = [*about(course, year), *_changes(version, Ledger())]
    return transaction(put(resource) for resource in resources)


def review(version: Version, ledger: Ledger) -> Json:
    """The Bundle of a later stage: a new version of the plan, or a plan that replaces it."""
    return transaction(put(resource) for resource in _changes(version, ledger))
