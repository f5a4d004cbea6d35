"""What does the clinic system send after a session? One transaction Bundle.

A session is an Encounter with the clinic system's number. One that did not take place is a
cancelled Encounter with its Appointment, and every ordered technique as not done with the reason.
(Appointment.cancelationReason is for cancelled ones only: R4's app-4 names a status `no-show`,
the code is `noshow`.)
"""

from __future__ import annotations

from collections.abc import Mapping
from random import Random

from .codes import Json, concept, hl7, keeping, own
from .delivered import deliver, not_done
from .elements import identifier, moment, period, quantity, reference
from .ledger import Ledger
from .measured import account, measured, saturation, tolerance
from .model import Order, Trend
from .schedule import Session
from .staff import CLINIC, CLINIC_NAME, KITCHEN, ROOM, therapist, therapist_name
from .transactions import post_once, transaction, urn

_CLASSES = {"AMB": "ambulatory", "VR": "virtual", "HH": "home health"}
_LENGTH = 45
_FALL = 3

_CANCELLED_BY: Mapping[str, tuple[str, str]] = {
    "transport": ("pat-lt", "Patient: Lack of Transportation"),
    "therapist-away": ("prov-pers", "Provider: Personal"),
}


def _encounter(session: Session, status: str) -> Json:
    course = session.course
    person = reference(therapist(course.therapist), therapist_name(course.therapist))
    start, end = moment(session.day, course.at), moment(session.day, course.at, _LENGTH)
    found: Json = {
        "resourceType": "Encounter",
        "meta": keeping("therapy-session"),
        "identifier": [identifier("session", session.id)],
        "status": status,
        "class": hl7("v3-ActCode", session.block.setting, _CLASSES[session.block.setting]),
        "type": [concept(own("session-type", session.block.kind))],
        "serviceType": concept(hl7("service-type", "68", "Speech Pathology/Therapy")),
        "subject": reference(course.client.reference, course.client.name),
        "participant": [
            {
                "type": [concept(hl7("v3-ParticipationType", "PPRF", "primary performer"))],
                "individual": person,
            }
        ],
        "period": period(start, end),
        "reasonReference": [reference(f"Condition/{course.client.slug}-{course.problems[0].slug}")],
        "serviceProvider": reference(CLINIC, CLINIC_NAME),
    }
    if status == "finished":
        found["length"] = quantity(_LENGTH, "min")
        if session.block.setting == "AMB":
            where = KITCHEN if course.saturation_drop else ROOM
            found["location"] = [{"location": reference(where)}]
    return found


def _appointment(session: Session) -> Json:
    course, missed = session.course, session.missed
    assert missed is not None
    found: Json = {
        "resourceType": "Appointment",
        "identifier": [identifier("appointment", session.id)],
        "status": missed.status,
        "serviceType": [concept(hl7("service-type", "68", "Speech Pathology/Therapy"))],
        "start": moment(session.day, course.at),
        "end": moment(session.day, course.at, _LENGTH),
        "comment": missed.words,
        "participant": [
            {
                "actor": reference(course.client.reference, course.client.name),
                "status": "declined" if missed.status == "cancelled" else "accepted",
            },
            {"actor": reference(therapist(course.therapist)), "status": "accepted"},
        ],
    }
    if missed.status == "cancelled":
        reason = own("missed-reason", missed.reason)
        standard = _CANCELLED_BY.get(missed.reason, ("pat", "Patient"))
        also = hl7("appointment-cancellation-reason", *standard)
        found["cancelationReason"] = concept(reason, also)
    return found


def _orders(session: Session) -> list[Order]:
    """The orders in force; assessments have none."""
    version = session.version
    if version is None or session.block.kind == "assessment":
        return []
    return [order for order in version.plan.orders if order.slug in version.stage.orders]


def _due(session: Session, trend: Trend) -> bool:
    """Is this measure taken in this session?"""
    if session.week > trend.until_week:
        return False
    if trend.by_helper:
        return session.phase == "treatment" and session.number % trend.every == 0
    if session.block.kind != "treatment":
        return not (trend.late and session.version is None)
    return session.number % trend.every == 0


def _missed_entries(session: Session) -> list[Json]:
    missed = session.missed
    assert missed is not None
    appointment = _appointment(session)
    encounter = _encounter(session, "cancelled")
    encounter["appointment"] = [reference(urn(appointment["identifier"][0]))]
    reason = missed.reason
    version = session.version
    left_out = [not_done(session, version, o, reason) for o in _orders(session)] if version else []
    return [encounter, appointment, *left_out]


def _saturations(session: Session, end: int, seed: int) -> tuple[list[Json], int]:
    """Saturation before and after, and by how much it fell."""
    span = session.course.saturation_drop
    if span is None:
        return [], 0
    chance = Random(f"{seed}|{session.id}|saturation")
    first = 95 + int(3 * chance.random())
    progress = min(1.0, max(0.0, session.progress))
    fall = max(0, round(span[0] + (span[1] - span[0]) * progress + chance.random() - 0.5))
    both = [
        saturation(session, "start", first, 1),
        saturation(session, "end", first - fall, end),
    ]
    return both, fall


def _event(fall: int, chance: Random) -> str:
    """What happened that bears on tolerance."""
    if fall >= _FALL:
        return "saturation-fall"
    draw = chance.random()
    return "cough" if draw < 0.05 else "fatigue" if draw < 0.1 else "tolerated"


def _held(session: Session) -> bool:
    return session.version is not None and session.version.stage.status == "on-hold"


def _entries(session: Session, seed: int, ledger: Ledger) -> list[Json]:
    """Encounter, measures, techniques with their responses, measures after them, account."""
    due = [trend for trend in session.course.trends if _due(session, trend)]
    early = [trend for trend in due if not trend.late]
    found = [_encounter(session, "finished")]
    for minute, trend in enumerate(early, start=2):
        found.append(measured(session, trend, minute, seed, ledger))
    minutes, shares = 2 + len(early), []
    for order in _orders(session):
        assert session.version is not None
        if _held(session):
            found.append(not_done(session, session.version, order, "medical-hold"))
            continue
        done = deliver(session, session.version, order, minutes, seed)
        found += done.resources
        minutes = done.minutes
        if done.share is not None:
            shares.append(done.share)
    for trend in due:
        if trend.late:
            found.append(measured(session, trend, minutes, seed, ledger))
    chance = Random(f"{seed}|{session.id}|account")
    saturations, fall = _saturations(session, minutes, seed)
    found += saturations
    if shares:
        found.append(account(session, sum(shares) / len(shares), minutes, chance))
        found.append(tolerance(session, _event(fall, chance), minutes))
    return found


def session_bundle(session: Session, seed: int, ledger: Ledger) -> Json:
    """The transaction of one planned visit."""
    made = _missed_entries(session) if session.missed else _entries(session, seed, ledger)
    return transaction(post_once(resource) for resource in made)
