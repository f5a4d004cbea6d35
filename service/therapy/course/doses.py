"""What was ordered, and what was given? Read from ServiceRequests, plan activities, Procedures.

The dose of a session is in the `dose` extension (mappings/profiles/dose.json); how often, in
`occurrenceTiming`. Trials and strokes are kept apart: where an order counts trials, strokes a side
are strokes per side times trials, else times sets.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

from service.therapy.moments import Moment, day_of, moment, moment_in
from service.therapy.references import (
    EXTENSIONS,
    TECHNIQUES,
    extension,
    first_coding,
    key_of,
    named,
    target,
)

Resource = dict[str, Any]
Key = tuple[str, str]

_DAYS = {
    "s": 1 / 86400,
    "min": 1 / 1440,
    "h": 1 / 24,
    "d": 1.0,
    "wk": 7.0,
    "mo": 30.4375,
    "a": 365.25,
}
_MINUTES = {"s": 1 / 60, "min": 1.0, "h": 60.0}
_GIVEN = frozenset({"completed", "in-progress", "stopped"})
_ORDERED = frozenset({"active", "on-hold", "revoked", "completed", "unknown"})


class Dose(NamedTuple):
    """How much in one session; None where it is not told."""

    sets: float | None = None
    strokes_per_side: float | None = None
    """On each side in one set or trial."""
    left: float | None = None
    right: float | None = None
    trials: float | None = None
    repetitions: float | None = None
    minutes: float | None = None

    @property
    def strokes_a_side(self) -> float | None:
        """On each side in the whole session."""
        if self.strokes_per_side is None:
            return None
        return self.strokes_per_side * (self.trials or self.sets or 1)


class Order(NamedTuple):
    """An ordered technique: `frequency` times in `every` days from `first` to `last`."""

    reference: str | None
    technique: Resource
    key: Key
    status: str
    first: int | None
    last: int | None
    frequency: float | None
    every: float
    times: int | None
    """How many times in all, where that is said instead."""
    dose: Dose


class Delivery(NamedTuple):
    """A technique given, or left out with the reason."""

    reference: str
    technique: Resource
    key: Key
    given: bool
    reason: Resource | None
    start: Moment | None
    end: Moment | None
    session: str | None
    dose: Dose
    outcome: Resource | None


def read_orders(requests: Iterable[Resource], plan: Resource) -> list[Order]:
    """The techniques of requests and of the activities written into the plan itself.

    A request of something else (a referral) has neither a technique of ours nor a timing and is
    left aside.
    """
    found = []
    for request in requests:
        coding = first_coding(request.get("code"), TECHNIQUES)
        status = request.get("status", "unknown")
        if coding is None or status not in _ORDERED:
            continue
        order = _order(request, coding, status, named(request), "occurrence")
        if coding.get("system") == TECHNIQUES or order.frequency or order.times:
            found.append(order)
    for activity in plan.get("activity", ()):
        detail = activity.get("detail") or {}
        coding = first_coding(detail.get("code"), TECHNIQUES)
        if coding is not None and detail.get("status") not in ("entered-in-error", "cancelled"):
            status = detail.get("status", "unknown")
            found.append(_order(detail, coding, status, None, "scheduled"))
    return found


def read_deliveries(procedures: Iterable[Resource], base: str = "") -> list[Delivery]:
    """The techniques given and left out; what was entered in error or not yet done is neither."""
    found = []
    for procedure in procedures:
        coding = first_coding(procedure.get("code"), TECHNIQUES)
        key = key_of(coding)
        status = procedure.get("status")
        if coding is None or key is None or not (status in _GIVEN or status == "not-done"):
            continue
        start = moment_in(procedure, "performed")
        span = procedure.get("performedPeriod", {})
        end = moment(span["end"]) if "end" in span else start
        dose = _dose(procedure)
        if dose.minutes is None and start and end and start.second and end.second:
            dose = dose._replace(minutes=max(0.0, (end.second - start.second) / 60) or None)
        found.append(
            Delivery(
                named(procedure),
                coding,
                key,
                status in _GIVEN,
                first_coding(procedure.get("statusReason")),
                start,
                end,
                target(procedure.get("encounter"), base),
                dose,
                procedure.get("outcome"),
            )
        )
    return sorted(found, key=_by_time)


def _by_time(delivery: Delivery) -> tuple[tuple[int, float], str]:
    order = delivery.start.order if delivery.start else (0, 0.0)
    return order, delivery.reference


def _order(
    resource: Resource, coding: Resource, status: str, reference: str | None, kind: str
) -> Order:
    timing = resource.get(f"{kind}Timing") or {}
    repeat = timing.get("repeat") or {}
    bounds = repeat.get("boundsPeriod") or resource.get(f"{kind}Period") or {}
    first, last = day_of(bounds.get("start")), day_of(bounds.get("end"))
    if first is None:
        first = day_of(resource.get("authoredOn"))
    length = repeat.get("boundsDuration") or {}
    if last is None and first is not None and length.get("value"):
        last = first + round(length["value"] * _DAYS.get(length.get("code", "d"), 1.0)) - 1
    once = resource.get(f"{kind}DateTime")
    times = repeat.get("count") or len(timing.get("event", ())) or (1 if once else None)
    if once:
        first = last = day_of(once)
    every = float(repeat.get("period") or 1) * _DAYS.get(repeat.get("periodUnit", ""), 0.0)
    frequency = float(repeat.get("frequency") or 1) if every > 0 else None
    key = key_of(coding)
    assert key is not None
    return Order(
        reference, coding, key, status, first, last, frequency, every, times, _dose(resource)
    )


def _dose(resource: Resource) -> Dose:
    found = extension(resource, EXTENSIONS + "dose")
    parts = {part["url"]: _amount(part) for part in (found or {}).get("extension", ())}
    return Dose(
        parts.get("sets"),
        parts.get("strokesPerSide"),
        parts.get("strokesLeft"),
        parts.get("strokesRight"),
        parts.get("trials"),
        parts.get("repetitions"),
        parts.get("minutes"),
    )


def _amount(part: Resource) -> float | None:
    value = next((v for key, v in part.items() if key.startswith("value")), None)
    if isinstance(value, dict):
        number = value.get("value")
        if number is None or value.get("code", "min") not in _MINUTES:
            return None
        return float(number) * _MINUTES[value.get("code", "min")]
    return float(value) if isinstance(value, int | float) else None
