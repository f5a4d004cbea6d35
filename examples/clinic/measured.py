"""What was seen and measured in a session? Observations.

One Observation per thing and body site, with UCUM units, linked to the session, the plan in force
and, for the answer to a technique, the Procedure it belongs to.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from random import Random

from .codes import US_CORE, VITAL_SIGNS, Json, concept, hl7, icf, keeping, measure, own, region
from .elements import identifier, moment, period, quantity, reference
from .ledger import Ledger, Taken
from .model import Order, Trend
from .schedule import Session
from .staff import BULB, therapist
from .transactions import urn
from .trends import value

_SURVEY = ("survey", "Survey")
_CATEGORY: Mapping[str, tuple[str, str]] = {
    "eat-10-total": _SURVEY,
    "oral-intake-level": _SURVEY,
    "client-account": _SURVEY,
    "technique-response": ("therapy", "Therapy"),
    "tolerance": ("therapy", "Therapy"),
    "home-practice-days": ("activity", "Activity"),
}
_ANSWERED = frozenset({"technique-response", "client-account", "tolerance"})
_FUNCTIONAL = {
    "system": US_CORE,
    "code": "functional-status",
    "display": "Functional Status",
}
_EXAM = ("exam", "Exam")
_VITAL = ("vital-signs", "Vital Signs")
_WITH_BULB = frozenset({"tongue-pressure", "lip-strength"})

_CUT_OFFS: Mapping[str, tuple[str, float, str]] = {
    "eat-10-total": ("high", 2, "3 or more is abnormal; a screen, not a diagnosis"),
    "amr-rate": ("low", 5.4, "adults, mean minus one SD (Icht and Ben-David 2014)"),
}


def observation(session: Session, key: str, code: str, minutes: int) -> Json:
    """An Observation of this session without its value; `key` makes its number unique."""
    category = _VITAL if code in VITAL_SIGNS else _CATEGORY.get(code, _EXAM)
    domain = measure(code).domain
    found: Json = {
        "resourceType": "Observation",
        "meta": keeping("technique-response" if code in _ANSWERED else "outcome-measure"),
        "identifier": [identifier("observation", f"{session.id}-{key}")],
        "status": "final",
        "category": [
            concept(hl7("observation-category", *category)),
            *([concept(_FUNCTIONAL)] if category == _SURVEY else []),
            concept(own("phase", session.phase)),
            *([concept(icf(domain))] if domain else []),
        ],
        "code": concept(*measure(code).codings),
        "subject": reference(session.course.client.reference, session.course.client.name),
        "encounter": reference(urn(identifier("session", session.id))),
        "effectiveDateTime": moment(session.day, session.course.at, minutes),
        "performer": [reference(therapist(session.course.therapist))],
    }
    if session.version:
        plan = session.version.target("CarePlan", session.version.plan.slug)
        found["basedOn"] = [reference(plan)]
    return found


def _interpret(found: Json, code: str, measured: float) -> None:
    """Add the published cut-off and on which side of it the value lies."""
    if code not in _CUT_OFFS:
        return
    end, limit, words = _CUT_OFFS[code]
    outside = measured > limit if end == "high" else measured < limit
    answer = ("H", "High") if end == "high" else ("L", "Low")
    flagged = answer if outside else ("N", "Normal")
    found["interpretation"] = [concept(hl7("v3-ObservationInterpretation", *flagged))]
    found["referenceRange"] = [{end: quantity(limit, measure(code).unit), "text": words}]


def measured(session: Session, trend: Trend, minutes: int, seed: int, ledger: Ledger) -> Json:
    """A measurement of one of the client's trends; also entered in the ledger."""
    key = trend.key.replace("@", "-")
    chance = Random(f"{seed}|{session.id}|{key}")
    amount = value(trend, session.progress, chance)
    unit = measure(trend.measure).unit
    found = observation(session, key, trend.measure, minutes)
    found["valueQuantity"] = quantity(amount, unit)
    _interpret(found, trend.measure, amount)
    if trend.site:
        found["bodySite"] = region(trend.site)
    if trend.method:
        found["method"] = concept(text=trend.method)
    if trend.measure in _WITH_BULB:
        found["device"] = reference(BULB)
    if trend.by_helper:
        del found["effectiveDateTime"]
        week = (session.day - timedelta(days=7), session.day - timedelta(days=1))
        found["effectivePeriod"] = period(week[0].isoformat(), week[1].isoformat())
        found["performer"] = [reference(session.course.client.helper)]
    label = found["code"]["text"] + (f", {found['bodySite']['text']}" if trend.site else "")
    text = f"{amount} {found['valueQuantity']['unit']}"
    number = found["identifier"][0]["value"]
    taken = Taken(number, label, amount, text, session.day)
    ledger.enter(session.course.client.slug, trend.key, taken)
    return found


def response(
    session: Session, order: Order, procedure: str, tries: int, wanted: int, minutes: int
) -> Json:
    """How a technique was answered: a code, and the trials it rests on."""
    share = wanted / tries
    answer = "wanted" if share >= 0.8 else "partial" if share >= 0.4 else "none"
    found = observation(session, f"response-{order.slug}", "technique-response", minutes)
    found["partOf"] = [reference(procedure)]
    found["valueCodeableConcept"] = concept(own("response", answer))
    found["bodySite"] = region(order.site)
    found["component"] = [
        {
            "code": concept(own("measure", "trials")),
            "valueQuantity": quantity(tries, "{count}"),
        },
        {
            "code": concept(own("measure", "wanted-trials")),
            "valueQuantity": quantity(wanted, "{count}"),
        },
    ]
    return found


def account(session: Session, share: float, minutes: int, chance: Random) -> Json:
    """What the client says of the task after the techniques."""
    lean = share + 0.5 * (chance.random() - 0.5)
    answer = "easier" if lean >= 0.55 else "same" if lean >= 0.25 else "harder"
    found = observation(session, "client-account", "client-account", minutes)
    found["valueCodeableConcept"] = concept(own("client-account", answer))
    return found


def tolerance(session: Session, code: str, minutes: int) -> Json:
    """What happened in the session that bears on tolerance."""
    found = observation(session, "tolerance", "tolerance", minutes)
    found["valueCodeableConcept"] = concept(own("tolerance", code))
    return found


def saturation(session: Session, key: str, percent: int, minutes: int) -> Json:
    """Oxygen saturation at the start or the end of a session."""
    found = observation(session, f"oxygen-saturation-{key}", "oxygen-saturation", minutes)
    found["valueQuantity"] = quantity(percent, "%")
    return found
