"""How much was ordered, and how much was given? Written as the `dose` and `stimulus` extensions.

One trial is one set of strokes followed by one attempt at the task; where an order counts trials,
strokes are strokes per side times trials, otherwise strokes per side times sets.
"""

from __future__ import annotations

from random import Random

from .codes import EXTENSION, Json, concept, own
from .elements import quantity
from .model import Dose, Order


def _part(url: str, **value: object) -> Json:
    return {"url": url, **value}


def _extension(parts: list[Json]) -> Json:
    return {"url": EXTENSION + "dose", "extension": parts}


def _common(dose: Dose) -> list[Json]:
    parts = []
    if dose.sets:
        parts.append(_part("sets", valuePositiveInt=dose.sets))
    if dose.strokes_per_side:
        parts.append(_part("strokesPerSide", valuePositiveInt=dose.strokes_per_side))
    if dose.side_order:
        parts.append(_part("sideOrder", valueCoding=own("side-order", dose.side_order)))
    if dose.rest:
        parts.append(_part("rest", valueDuration=quantity(dose.rest, "s")))
    return parts


def _count(name: str, count: int | None) -> list[Json]:
    return [] if count is None else [_part(name, valueUnsignedInt=count)]


def stimulus(order: Order) -> Json:
    """What touches or resists."""
    coding = own("stimulus", order.stimulus)
    return {"url": EXTENSION + "stimulus", "valueCodeableConcept": concept(coding)}


def ordered(dose: Dose) -> Json:
    """The dose of an order, for one session."""
    parts = _common(dose)
    parts += _count("trials", dose.trials)
    parts += _count("repetitions", dose.repetitions)
    parts.append(_part("minutes", valueDuration=quantity(dose.minutes, "min")))
    return _extension(parts)


def attempts(dose: Dose) -> int:
    """Attempts at the task in a session: trials, repetitions, or ten where neither is counted."""
    return dose.trials or dose.repetitions or 10


def given(order: Order, chance: Random) -> tuple[Json, int, int]:
    """The dose delivered in a session, its minutes, and the number of attempts at the task.

    Sometimes a session ends before the ordered number is reached (common practice, no source).
    """
    dose = order.dose
    share = min(1.0, 0.74 + 0.4 * chance.random())
    tries = max(1, round(attempts(dose) * share))
    minutes = max(2, round(dose.minutes * share))
    parts = _common(dose)
    if dose.strokes_per_side:
        strokes = dose.strokes_per_side * (tries if dose.trials else dose.sets or 1)
        short = dose.strokes_per_side if chance.random() < 0.15 else 0
        left = {"left": strokes, "both": strokes, "right": 0, "none": 0}[order.sides]
        right = {"right": strokes, "both": strokes - short, "left": 0, "none": 0}[order.sides]
        if order.sides != "none":
            parts += _count("strokesLeft", left) + _count("strokesRight", right)
    if dose.trials:
        parts += _count("trials", tries)
    if dose.repetitions:
        parts += _count("repetitions", tries)
    parts.append(_part("minutes", valueDuration=quantity(minutes, "min")))
    return _extension(parts), minutes, tries
