"""Section: what was ordered, what was given, with which dose, and how was it answered?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.handover.care_document.markup import Node, listing, table
from service.handover.care_document.material import Material
from service.handover.care_document.section import Section
from service.handover.care_document.trends import bars
from service.handover.care_document.words import (
    called,
    code_words,
    day_words,
    dose_words,
    number_words,
    often_words,
    span_words,
    unit_words,
)
from service.therapy.course.dose import Amount, TechniqueDose
from service.therapy.course.doses import Delivery, Order
from service.therapy.course.responses import TechniqueResponse
from service.therapy.facts import Estimate
from service.therapy.quantities import interval

_WEEKS = 26


def treatment(material: Material) -> Section:
    """Orders, doses, weeks and responses of the plan."""
    progress = material.progress
    course = progress.course
    body: list[Node] = [
        *table("Ordered", _ORDERED, [order_row(order) for order in course.orders]),
        *table("Given against ordered", _GIVEN, map(_dose_row, progress.doses)),
        *table("Week by week", _WEEKLY, _week_rows(progress.doses)),
        *table("Responses to techniques", _ANSWERED, map(_response_row, progress.responses)),
        *listing(_lines(material)),
    ]
    orders = [order.reference for order in course.orders if order.reference]
    responses = [name for one in progress.responses for name in one.references]
    return Section(
        "treatment",
        "Treatment given",
        ("62387-6", "Interventions Narrative"),
        body,
        [*orders, *(delivery.reference for delivery in course.deliveries), *responses],
        "notstarted",
        "No treatment is ordered or recorded under this plan.",
    )


_ORDERED = ["Technique", "Dose in one session", "How often", "When", "State"]
_GIVEN = ["Technique", "Sessions", "Amounts in all", "Strokes left / right", "Left out"]
_WEEKLY = ["Technique", "Weeks from", "Sessions in each week", "Picture"]
_ANSWERED = ["Technique", "Sessions answered", "As wanted", "Share (95 % interval)", "Halves"]


def order_row(order: Order) -> list[str]:
    """An order: technique, dose, how often, from when to when, state."""
    return [
        called(order.technique),
        dose_words(order.dose),
        often_words(order.frequency, order.every, order.times),
        span_words(day_words(order.first), day_words(order.last)),
        code_words(order.status),
    ]


def _dose_row(dose: TechniqueDose) -> list[str]:
    sides = ""
    if dose.left is not None or dose.right is not None:
        sides = f"{count_words(dose.left)} / {count_words(dose.right)}"
    return [
        called(dose.technique),
        _against(dose.sessions) + (f", adherence {dose.band}" if dose.band else ""),
        "; ".join(f"{amount.kind} {_against(amount)}" for amount in dose.amounts),
        sides,
        ", ".join(_missed(dose)),
    ]


def _missed(dose: TechniqueDose) -> list[str]:
    reasons = {name: called(dose.reasons.get(name) or {"display": name}) for name in dose.missed}
    return [f"{reasons[name]} {count}" for name, count in sorted(dose.missed.items())]


def _against(amount: Amount) -> str:
    given = count_words(amount.given)
    if amount.ordered is None:
        return given
    share = f" ({amount.adherence:.0f} %)" if amount.adherence is not None else ""
    return f"{given} of {count_words(amount.ordered)}{share}"


def count_words(number: float | None) -> str:
    """A count: whole numbers whole, whatever their length."""
    if number is None:
        return "–"
    return f"{number:.0f}" if float(number).is_integer() else number_words(number)


def _week_rows(doses: Sequence[TechniqueDose]) -> Iterable[list[str]]:
    for dose in doses:
        weeks = dose.weeks[-_WEEKS:]
        if len(weeks) > 1:
            counts = [float(week.given) for week in weeks]
            yield [
                called(dose.technique),
                day_words(weeks[0].first_day),
                " ".join(f"{count:.0f}" for count in counts),
                bars(counts, floor=0.0),
            ]


def _response_row(response: TechniqueResponse) -> list[str]:
    halves = [f"{100 * part:.0f} %" for part in (response.early, response.late) if part is not None]
    return [
        called(response.technique),
        str(response.sessions),
        str(response.wanted),
        _percent(response.share),
        " then ".join(halves),
    ]


def _percent(share: Estimate | None) -> str:
    if share is None:
        return ""
    ends = [f"{100 * end:.0f}" for end in (share.low, share.high) if end is not None]
    span = f" ({' to '.join(ends)} %)" if len(ends) == 2 else ""
    return f"{100 * share.value:.0f} %{span}"


def _lines(material: Material) -> Iterable[str]:
    progress = material.progress
    sessions = _sessions(progress.course.deliveries)
    if sessions:
        first, last = sessions[0], sessions[-1]
        yield f"First recorded {day_words(first)}, last {day_words(last)}."
    for effect in progress.effects:
        names = ", ".join(called(technique) for technique in effect.techniques)
        yield (
            f"{effect.measure.name}, after less before {names}: {interval(effect.change)}"
            f" {unit_words(effect.measure.unit or '')} (median of {effect.pairs} sessions)."
        )
    for dose in progress.doses:
        yield from dose.published
        if len(dose.weeks) > _WEEKS:
            many = f"{_WEEKS} of {len(dose.weeks)} weeks"
            yield f"{called(dose.technique)}: the last {many} are shown."


def _sessions(deliveries: Iterable[Delivery]) -> list[int]:
    return sorted(d.start.day for d in deliveries if d.given and d.start is not None)
