"""Section: what comes next? Appointments, due days, orders that run, the end of the plan."""

from __future__ import annotations

from collections.abc import Iterable

from service.handover.care_document.markup import listing, table
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.section import Section
from service.handover.care_document.words import (
    called,
    code_words,
    concepts,
    day_words,
    time_words,
)
from service.therapy.moments import day_of
from service.therapy.references import named

_AHEAD = frozenset({"proposed", "pending", "booked", "waitlist"})
_REACHED = frozenset({"achieved", "sustaining"})
_OVER = frozenset({"completed", "revoked", "entered-in-error"})


def next_steps(material: Material) -> Section:
    """What is still ahead, from today on."""
    booked = [one for one in material.of["Appointment"] if _is_ahead(one, _today(material))]
    booked.sort(key=lambda one: (str(one.get("start", "")), named(one)))
    body = [
        *table("Appointments", ["When", "State", "What", "With"], _rows(material, booked)),
        *listing(_ahead(material)),
    ]
    over = material.plan.get("status") in _OVER
    return Section(
        "next-steps",
        "Next steps",
        None,
        body,
        [named(one) for one in booked],
        "closed" if over else "unavailable",
        "The plan is over, and nothing further is recorded." if over else "Nothing is recorded.",
    )


def _today(material: Material) -> int:
    return material.progress.course.question.today


def _is_ahead(appointment: Resource, today: int) -> bool:
    day = day_of(str(appointment.get("start", ""))[:10])
    return appointment.get("status") in _AHEAD and (day is None or day >= today)


def _rows(material: Material, booked: Iterable[Resource]) -> Iterable[list[str]]:
    for one in booked:
        with_whom = [
            material.name(part.get("actor"))
            for part in one.get("participant", ())
            if not str((part.get("actor") or {}).get("reference", "")).startswith("Patient/")
        ]
        yield [
            time_words(one.get("start")),
            code_words(one.get("status")),
            str(one.get("description") or concepts(one.get("serviceType"))),
            ", ".join(name for name in with_whom if name),
        ]


def _ahead(material: Material) -> Iterable[str]:
    today = _today(material)
    told = {goal.reference: goal for goal in material.progress.goals}
    for goal in material.of["Goal"]:
        progress = told.get(named(goal))
        days = [day_of(row.get("dueDate")) for row in goal.get("target", ())]
        due = max((day for day in days if day is not None), default=None)
        if progress is not None and due is not None and progress.proposed not in _REACHED:
            tense = "is due" if due >= today else "was due"
            yield f"Goal {progress.name} {tense} on {day_words(due)}."
    for order in material.progress.course.orders:
        if order.status == "active" and order.last is not None and order.last >= today:
            yield f"{called(order.technique)} is ordered until {day_words(order.last)}."
    end = day_of((material.plan.get("period") or {}).get("end"))
    if end is not None and end >= today:
        yield f"The plan runs until {day_words(end)}."
