"""What was done in a session? A Procedure per technique, or one not done with its reason."""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from .codes import Json, concept, keeping, own, region
from .doses import given, stimulus
from .elements import identifier, moment, period, reference
from .measured import response
from .model import Order
from .plans import Version
from .schedule import Session
from .staff import therapist
from .transactions import urn

_SKIPPED = ("fatigue", "time", "declined", "sore-mouth", "reduced-alertness")


class Delivered(NamedTuple):
    """What one order came to: resources, the next free minute, wanted share (None: not done)."""

    resources: list[Json]
    minutes: int
    share: float | None


def _procedure(session: Session, version: Version, order: Order, status: str) -> Json:
    return {
        "resourceType": "Procedure",
        "meta": keeping("delivered-technique"),
        "identifier": [identifier("procedure", f"{session.id}-{order.slug}")],
        "basedOn": [
            reference(version.target("ServiceRequest", order.slug)),
            reference(version.target("CarePlan", version.plan.slug)),
        ],
        "status": status,
        "code": concept(own("technique", order.technique)),
        "subject": reference(session.course.client.reference, session.course.client.name),
        "encounter": reference(urn(identifier("session", session.id))),
        "reasonReference": [reference(version.target("Condition", order.reason))],
        "bodySite": [region(order.site)],
    }


def not_done(session: Session, version: Version, order: Order, reason: str) -> Json:
    """An ordered technique that was left out."""
    found = _procedure(session, version, order, "not-done")
    found["statusReason"] = concept(own("missed-reason", reason))
    found["performedPeriod"] = period(moment(session.day, session.course.at))
    return found


def _wanted(session: Session, version: Version, order: Order, tries: int, chance: Random) -> int:
    """How many of the tries had the wanted response, with the plan's day as the driver."""
    whole = max(1, (version.year.day(version.plan.last_week, 4) - version.start).days)
    progress = min(1.0, max(0.0, (session.day - version.start).days / whole))
    first, last = order.wanted
    share = first + (last - first) * progress
    return sum(chance.random() < share for _ in range(tries))


def deliver(session: Session, version: Version, order: Order, minutes: int, seed: int) -> Delivered:
    """One ordered technique in this session, starting at a minute of it."""
    chance = Random(f"{seed}|{session.id}|{order.slug}")
    if chance.random() < 0.04:
        reason = _SKIPPED[int(chance.random() * len(_SKIPPED))]
        return Delivered([not_done(session, version, order, reason)], minutes, None)
    dose, length, tries = given(order, chance)
    wanted = _wanted(session, version, order, tries, chance)
    end = minutes + length
    procedure = _procedure(session, version, order, "completed")
    answer = response(session, order, urn(procedure["identifier"][0]), tries, wanted, end)
    start = moment(session.day, session.course.at, minutes)
    procedure |= {
        "extension": [dose, stimulus(order)],
        "performedPeriod": period(start, moment(session.day, session.course.at, end)),
        "performer": [{"actor": reference(therapist(session.course.therapist))}],
        "outcome": answer["valueCodeableConcept"],
    }
    return Delivered([procedure, answer], end + 1, wanted / tries)
