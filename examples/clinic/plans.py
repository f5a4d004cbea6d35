"""How is a plan of care written? CarePlan, Goal, ServiceRequest and NutritionOrder.

Each stage of a plan is a version of the CarePlan: its notes grow, orders come and go, goals are
judged. Orders are ServiceRequests, so that what is delivered can refer to them.
"""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from .codes import Json, concept, hl7, keeping, measure, own, region, snomed
from .doses import attempts, ordered, stimulus
from .elements import annotation, identifier, narrative, period, quantity, reference
from .model import Course, Diet, Goal, Order, Plan, Stage
from .people import DEFER
from .staff import therapist, therapist_name
from .weeks import FRIDAY, Year

ACHIEVEMENT = {
    "in-progress": "In Progress",
    "improving": "Improving",
    "worsening": "Worsening",
    "no-change": "No Change",
    "achieved": "Achieved",
    "sustaining": "Sustaining",
    "not-achieved": "Not Achieved",
    "not-attainable": "Not Attainable",
}

EVIDENCE = (
    "Dose and order of sides: common practice, no source. Evidence for non-speech oral exercises is"
    " limited and mixed (McCauley 2009, AJSLP 18:343-360). A fresh item for each technique, a"
    f" functional task after it. {DEFER}"
)


class Version(NamedTuple):
    """A plan as it stands at one of its stages."""

    course: Course
    plan: Plan
    place: int
    year: Year

    @property
    def stage(self) -> Stage:
        return self.plan.stages[self.place]

    @property
    def stages(self) -> tuple[Stage, ...]:
        return self.plan.stages[: self.place + 1]

    @property
    def written(self) -> date:
        return self.year.day(self.stage.week, FRIDAY)

    @property
    def start(self) -> date:
        return self.year.day(self.plan.stages[0].week + 1)

    @property
    def end(self) -> date:
        if self.stage.status in ("completed", "revoked"):
            return self.written
        return self.year.day(self.plan.last_week, FRIDAY)

    @property
    def subject(self) -> Json:
        return reference(self.course.client.reference, self.course.client.name)

    def target(self, resource_type: str, slug: str) -> str:
        """The reference of something of this client."""
        return f"{resource_type}/{self.course.client.slug}-{slug}"

    def number(self, slug: str) -> str:
        """The clinic system's number of something of this client."""
        return f"{self.course.client.number}-{slug}"


def goal_state(version: Version, goal: Goal) -> tuple[str, str, date]:
    """Lifecycle and achievement of a goal, and since when."""
    state = ("active", "in-progress", version.year.day(version.plan.stages[0].week, FRIDAY))
    for stage in version.stages:
        if goal.slug in stage.goals:
            lifecycle, achievement = stage.goals[goal.slug]
            state = (lifecycle, achievement, version.year.day(stage.week, FRIDAY))
    return state


def goal_resource(version: Version, goal: Goal, outcome: Json | None) -> Json:
    """A goal, with the last measurement as its outcome where it has been judged by one."""
    course = version.course
    lifecycle, achievement, since = goal_state(version, goal)
    wanted = measure(goal.measure.split("@")[0])
    bounds: Json = {}
    if goal.low is not None:
        bounds["low"] = quantity(goal.low, wanted.unit)
    if goal.high is not None:
        bounds["high"] = quantity(goal.high, wanted.unit)
    due = version.year.day(goal.due_week, FRIDAY).isoformat()
    rows = [
        ("Due", due),
        ("Status", lifecycle),
        ("Achievement", ACHIEVEMENT[achievement]),
    ]
    found: Json = {
        "resourceType": "Goal",
        "id": f"{course.client.slug}-{goal.slug}",
        "meta": keeping("therapy-goal"),
        "text": narrative(goal.text, rows),
        "identifier": [identifier("goal", version.number(goal.slug))],
        "lifecycleStatus": lifecycle,
        "achievementStatus": concept(
            hl7("goal-achievement", achievement, ACHIEVEMENT[achievement])
        ),
        "category": [concept(hl7("goal-category", *goal.category))],
        "priority": concept(hl7("goal-priority", "medium-priority", "Medium Priority")),
        "description": {"text": goal.text},
        "subject": version.subject,
        "startDate": version.start.isoformat(),
        "target": [
            {"measure": concept(*wanted.codings), "detailRange": bounds, "dueDate": due},
        ],
        "statusDate": since.isoformat(),
        "expressedBy": reference(course.client.reference),
        "addresses": [reference(version.target("Condition", p)) for p in version.plan.problems],
    }
    return found | ({"outcomeReference": [outcome]} if outcome else {})


def order_status(version: Version, order: Order) -> str | None:
    """The status of an order at this stage; None where it has not been ordered yet."""
    seen = [stage for stage in version.stages if order.slug in stage.orders]
    if not seen:
        return None
    if seen[-1] is version.stage:
        return "on-hold" if version.stage.status == "on-hold" else "active"
    ended = version.stages[version.stages.index(seen[-1]) + 1]
    return "revoked" if ended.status == "revoked" else "completed"


def _order_period(version: Version, order: Order) -> Json:
    weeks = [stage.week for stage in version.stages if order.slug in stage.orders]
    ended = [stage.week for stage in version.stages if stage.week > weeks[-1]]
    end = version.year.day(ended[0], FRIDAY) if ended else version.end
    return period(version.year.day(weeks[0] + 1).isoformat(), end.isoformat())


def order_resource(version: Version, order: Order) -> Json:
    """An ordered technique with its dose."""
    first = next(stage for stage in version.stages if order.slug in stage.orders)
    author = therapist(version.course.therapist)
    found: Json = {
        "resourceType": "ServiceRequest",
        "id": f"{version.course.client.slug}-{order.slug}",
        "meta": keeping("technique-order"),
        "extension": [ordered(order.dose), stimulus(order)],
        "identifier": [identifier("order", version.number(order.slug))],
        "basedOn": [reference(version.target("CarePlan", version.plan.slug))],
        "status": order_status(version, order),
        "intent": "order",
        "code": concept(own("technique", order.technique)),
        "quantityQuantity": quantity(attempts(order.dose), "{count}"),
        "subject": version.subject,
        "occurrenceTiming": {
            "repeat": {
                "boundsPeriod": _order_period(version, order),
                "duration": order.dose.minutes,
                "durationUnit": "min",
                "frequency": order.per_week,
                "period": 1,
                "periodUnit": "wk",
            }
        },
        "authoredOn": version.year.day(first.week, FRIDAY).isoformat(),
        "requester": reference(author, therapist_name(version.course.therapist)),
        "performer": [reference(author)],
        "reasonReference": [reference(version.target("Condition", order.reason))],
        "bodySite": [region(order.site)],
        "note": [{"text": order.note or EVIDENCE}],
    }
    if order.replaces:
        found["replaces"] = [reference(version.target("ServiceRequest", order.replaces))]
    return found


def diet_resource(version: Version, diet: Diet) -> Json:
    """What the client may eat and drink, as advised at this stage."""
    current = [stage.diet for stage in version.stages if stage.diet][-1]
    first = next(stage for stage in version.stages if stage.diet == diet.slug)
    live = current == diet.slug and version.stage.status in ("active", "on-hold")
    found: Json = {
        "resourceType": "NutritionOrder",
        "id": f"{version.course.client.slug}-{diet.slug}",
        "identifier": [identifier("diet", version.number(diet.slug))],
        "status": "active" if live else "completed",
        "intent": "order",
        "patient": version.subject,
        "dateTime": version.year.day(first.week, FRIDAY).isoformat(),
        "orderer": reference(therapist(version.course.therapist)),
        "oralDiet": {
            "texture": [{"modifier": concept(snomed(diet.texture), text=diet.texture_text)}],
            "fluidConsistencyType": [concept(snomed(diet.fluid), text=diet.fluid_text)],
            "instruction": f"Upright, alert, supervised at meals. {DEFER}",
        },
        "note": [{"text": f"Agreed with the referring physician. {DEFER}"}],
    }
    if version.course.allergies:
        found["allergyIntolerance"] = [
            reference(version.target("AllergyIntolerance", known.slug))
            for known in version.course.allergies
        ]
    return found


def _activities(version: Version) -> list[Json]:
    orders = [order for order in version.plan.orders if order_status(version, order)]
    diets = [stage.diet for stage in version.stages if stage.diet]
    targets = [version.target("ServiceRequest", order.slug) for order in orders]
    targets += [version.target("NutritionOrder", slug) for slug in dict.fromkeys(diets)]
    if version.stage.referral:
        targets.append(version.target("ServiceRequest", "referral"))
    return [{"reference": reference(target)} for target in targets]


def care_plan(version: Version) -> Json:
    """The plan as it stands at this stage."""
    course, plan, author = version.course, version.plan, therapist(version.course.therapist)
    first = version.year.day(plan.stages[0].week, FRIDAY)
    rows = [
        ("Status", version.stage.status),
        ("From", version.start.isoformat()),
        ("To", version.end.isoformat()),
        ("Therapist", therapist_name(course.therapist)),
        *(("Goal", f"{goal.text}: {goal_state(version, goal)[1]}") for goal in plan.goals),
    ]
    notes = [(version.year.day(s.week, FRIDAY).isoformat(), s.note) for s in version.stages]
    found: Json = {
        "resourceType": "CarePlan",
        "id": f"{course.client.slug}-{plan.slug}",
        "meta": keeping("therapy-plan"),
        "text": narrative(plan.title, rows, [f"{day}: {text}" for day, text in notes]),
        "identifier": [identifier("plan", version.number(plan.slug))],
        "status": version.stage.status,
        "intent": "plan",
        "category": [concept(snomed("734163000"), text="Speech-language therapy plan of care")],
        "title": plan.title,
        "description": f"{plan.description} {DEFER}",
        "subject": version.subject,
        "period": period(version.start.isoformat(), version.end.isoformat()),
        "created": first.isoformat(),
        "author": reference(author, therapist_name(course.therapist)),
        "careTeam": [reference(version.target("CareTeam", "team"))],
        "addresses": [reference(version.target("Condition", slug)) for slug in plan.problems],
        "goal": [reference(version.target("Goal", goal.slug)) for goal in plan.goals],
        "activity": _activities(version),
        "note": [annotation(author, day, text) for day, text in notes],
    }
    if plan.replaces:
        found["replaces"] = [reference(version.target("CarePlan", plan.replaces))]
    return found
