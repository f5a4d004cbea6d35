"""Was the ordered dose given? Per technique: sessions, amounts, sides, weeks, reasons.

Adherence is 100 * given / ordered and is not capped: above 100 more was given than ordered. An
order that has ended counts every started week (or other period) as whole; one that still runs, the
share of it that is over. What is not recorded is not the same as left out.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from service.therapy.course.doses import Delivery, Dose, Key, Order
from service.therapy.facts import band_of, facts
from service.therapy.references import TECHNIQUES, label

Resource = dict[str, Any]

_MOST_WEEKS = 1_000
"""Beyond it only weeks in which something was given are told."""

_KINDS = ("sets", "trials", "repetitions", "minutes")


@dataclass(frozen=True, slots=True)
class Amount:
    """Something that is counted in a session: ordered (None: not said) and given over all."""

    kind: str
    ordered: float | None
    given: float

    @property
    def adherence(self) -> float | None:
        """Percent; None where nothing is ordered."""
        return 100 * self.given / self.ordered if self.ordered else None


@dataclass(frozen=True, slots=True)
class Week:
    """One week of a plan, told by its first day."""

    first_day: int
    ordered: float | None
    given: int
    left: float
    right: float
    minutes: float


@dataclass(slots=True)
class TechniqueDose:
    """One technique over a plan. Strokes by side are None where none are recorded by side."""

    technique: Resource
    key: Key
    sessions: Amount
    amounts: list[Amount]
    strokes_a_side: float | None
    left: float | None
    right: float | None
    missed: Counter[str]
    reasons: dict[str, Resource]
    weeks: list[Week]
    references: list[str]
    published: list[str] = field(default_factory=list)

    @property
    def side_ratio(self) -> float | None:
        """Strokes on the left by strokes on the right."""
        if self.left is None or not self.right:
            return None
        return self.left / self.right

    @property
    def band(self) -> str | None:
        """The published band of the adherence."""
        percent = self.sessions.adherence
        if percent is None:
            return None
        return band_of(percent, facts("doses")["adherence"]["bands"])


def technique_doses(
    orders: Sequence[Order], deliveries: Sequence[Delivery], first_day: int | None, until: int
) -> list[TechniqueDose]:
    """Every technique that was ordered or given, ordered ones first.

    `first_day` and `until` bound what counts; without the first one, the orders and deliveries do.
    """
    grouped: dict[Key, tuple[list[Order], list[Delivery]]] = {}
    for order in orders:
        grouped.setdefault(order.key, ([], []))[0].append(order)
    for delivery in deliveries:
        grouped.setdefault(delivery.key, ([], []))[1].append(delivery)
    return [_dose_of(key, *mine, first_day, until) for key, mine in grouped.items()]


def ordered_sessions(order: Order, first_day: int | None, until: int) -> float | None:
    """How many sessions an order asks for between two days; None where it does not say."""
    starts = [day for day in (order.first, first_day) if day is not None]
    if order.times is not None:
        return float(order.times)
    if order.frequency is None or not starts:
        return None
    first, last = max(starts), until if order.last is None else min(order.last, until)
    if last < first:
        return 0.0
    periods = (last - first + 1) / order.every
    ended = order.last is not None and order.last <= until
    return order.frequency * (math.ceil(periods - 1e-9) if ended else periods)


def _dose_of(
    key: Key,
    orders: list[Order],
    deliveries: list[Delivery],
    first_day: int | None,
    until: int,
) -> TechniqueDose:
    given = [delivery for delivery in deliveries if delivery.given]
    asked = [ordered_sessions(order, first_day, until) for order in orders]
    sessions = Amount("sessions", _round(_sum(asked)), len(given))
    reasons = {label(d.reason): d.reason or {} for d in deliveries if not d.given}
    coding = next((o.technique for o in orders), None) or deliveries[0].technique
    found = TechniqueDose(
        coding,
        key,
        sessions,
        _amounts(orders, asked, given),
        _round(
            _sum([_times(n, o.dose.strokes_a_side) for o, n in zip(orders, asked, strict=True)])
        ),
        _sum([d.dose.left for d in given]),
        _sum([d.dose.right for d in given]),
        Counter(label(d.reason) for d in deliveries if not d.given),
        reasons,
        _weeks(orders, given, first_day, until),
        [delivery.reference for delivery in deliveries],
    )
    found.published = published_doses(key, found.weeks, given)
    return found


def _amounts(orders: list[Order], asked: list[float | None], given: list[Delivery]) -> list[Amount]:
    found = []
    for kind in _KINDS:
        ordered = _sum(
            [_times(n, getattr(o.dose, kind)) for o, n in zip(orders, asked, strict=True)]
        )
        done = _sum([getattr(delivery.dose, kind) for delivery in given])
        if ordered is not None or done is not None:
            found.append(Amount(kind, _round(ordered), done or 0.0))
    return found


def _weeks(
    orders: list[Order], given: list[Delivery], first_day: int | None, until: int
) -> list[Week]:
    """Seven days each, from the first day on, as far as something was ordered or given."""
    dated = [(d.start.day, d.dose) for d in given if d.start is not None]
    starts = [first_day] if first_day is not None else []
    starts += [o.first for o in orders if o.first is not None and not starts]
    starts += [] if starts else [day for day, _ in dated]
    if not starts:
        return []
    begin = min(starts)
    by_week: dict[int, list[Dose]] = {}
    for day, dose in dated:
        by_week.setdefault((day - begin) // 7, []).append(dose)
    ends = [min(until if o.last is None else o.last, until) for o in orders]
    last = max([*by_week, *((end - begin) // 7 for end in ends)], default=-1)
    told = range(last + 1) if last < _MOST_WEEKS else sorted(n for n in by_week if n >= 0)
    return [_week(begin + 7 * n, orders, by_week.get(n, [])) for n in told]


def _week(first: int, orders: list[Order], doses: list[Dose]) -> Week:
    rates = [
        order.frequency * 7 / order.every
        for order in orders
        if order.frequency is not None
        and (order.first is None or order.first <= first + 6)
        and (order.last is None or order.last >= first)
    ]
    return Week(
        first,
        sum(rates) if rates else None,
        len(doses),
        sum(dose.left or 0 for dose in doses),
        sum(dose.right or 0 for dose in doses),
        sum(dose.minutes or 0 for dose in doses),
    )


def published_doses(key: Key, weeks: list[Week], given: list[Delivery]) -> list[str]:
    """What was given a week or a day beside what was studied, in words."""
    found = []
    for row in facts("doses")["doses"]:
        if key != (TECHNIQUES, row["technique"]):
            continue
        counts = [d.dose.trials for d in given if d.dose.trials is not None and d.start]
        if not counts or not weeks:
            continue
        days = len({d.start.day for d in given if d.start})
        busy = sum(1 for week in weeks if week.given)
        parts = busy if row["per"] == "week" else days
        mean = sum(counts) / parts if parts else 0
        span = f"{row['low']}" if row["low"] == row["high"] else f"{row['low']} to {row['high']}"
        found.append(
            f"{mean:.0f} {row['counted']} in a {row['per']} with sessions;"
            f" published: {span} a {row['per']} ({row['source']}; {row['status']}). {row['note']}"
        )
    return found


def _times(sessions: float | None, amount: float | None) -> float | None:
    return None if sessions is None or amount is None else sessions * amount


def _sum(numbers: Sequence[float | None]) -> float | None:
    told = [number for number in numbers if number is not None]
    return math.fsum(told) if told else None


def _round(number: float | None) -> float | None:
    """To the nearest whole, halves up."""
    return None if number is None else float(math.floor(number + 0.5))
