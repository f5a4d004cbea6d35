"""What is known of a plan's course? The resources of the plan, read into what is computed with.

`Material` is what the store gave; `read_course` sorts it out: which plan a value belongs to, which
phase, what was ordered and given.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.therapy.course.doses import Delivery, Order, read_deliveries, read_orders
from service.therapy.course.goals import Entry, read_entries
from service.therapy.course.phases import PlanTimes, Span, months_before
from service.therapy.course.ratings import Pair, is_rating, pairs_of, read_ratings
from service.therapy.course.readings import Links, Series, read_series
from service.therapy.course.responses import Response, read_responses
from service.therapy.direct.parts import Convert
from service.therapy.facts import facts
from service.therapy.moments import Moment, day_of, iso, moment
from service.therapy.references import named, target, targets

Resource = dict[str, Any]

_LEFT_ASIDE = frozenset({"entered-in-error", "draft"})


@dataclass(frozen=True, slots=True)
class Question:
    """What was asked: days that bound the treatment, months of look-back, measures, today."""

    today: int
    first: int | None = None
    last: int | None = None
    look_back: int | None = None
    measures: frozenset[tuple[str | None, str]] = frozenset()
    """(system or None for any, code); empty for all."""


@dataclass(frozen=True, slots=True)
class Material:
    """The stored resources about one plan."""

    plan: Resource
    plans: Sequence[Resource]
    """All plans of the client, this one among them."""
    requests: Sequence[Resource]
    procedures: Sequence[Resource]
    goals: Sequence[Resource]
    flags: Sequence[Resource] = ()
    issues: Sequence[Resource] = ()
    versions: Sequence[tuple[Resource, int]] = ()
    base: str = ""


@dataclass(frozen=True, slots=True)
class Course:
    """What the computations take."""

    material: Material
    question: Question
    plan: str
    times: PlanTimes
    replaced: Sequence[str]
    series: Sequence[Series]
    orders: Sequence[Order]
    deliveries: Sequence[Delivery]
    responses: Sequence[Response]
    entries: Sequence[Entry]
    rated: Sequence[Pair] = ()
    """What two performers rated."""

    @property
    def first_day(self) -> int | None:
        """From when dose counts: the start of the plan or what was asked, whichever is later."""
        start = self.times.plan.start
        days = [d for d in (start.day if start else None, self.question.first) if d is not None]
        return max(days, default=None)

    @property
    def last_day(self) -> int:
        """Until when: today, the end of the plan or what was asked, whichever is earlier."""
        end = self.times.plan.end
        days = [d for d in (end.day if end else None, self.question.last) if d is not None]
        return min([self.question.today, *days])


def plan_times(material: Material, question: Question) -> PlanTimes:
    """Period, look-back and neighbours of the plan."""
    span = _span(material.plan)
    replaced = targets(material.plan.get("replaces"), material.base)
    others = {
        named(other): _span(other)
        for other in material.plans
        if other["id"] != material.plan["id"] and other.get("status") not in _LEFT_ASIDE
    }
    since = None
    if span.start is not None:
        months = question.look_back
        since = months_before(
            span.start.day, facts("change")["look-back-months"] if months is None else months
        )
        starts = [others[r].start for r in replaced if r in others]
        if months is None:
            since = max([since, *(s.day for s in starts if s is not None)])
    asked = Span(
        None if question.first is None else Moment(question.first, None),
        None if question.last is None else Moment(question.last, None),
    )
    return PlanTimes(span, since, asked, tuple(others.values()), question.look_back is not None)


def read_course(
    material: Material,
    question: Question,
    observations: Iterable[tuple[Resource, Any]],
    convert: Convert,
) -> Course:
    """Sort out everything; `observations` are (Observation, what it was read from)."""
    plan = named(material.plan)
    times = plan_times(material, question)
    own = _own_requests(material, plan)
    requests = [request for request in material.requests if named(request) in own]
    orders = read_orders(requests, material.plan)
    links = _links(material, plan, own)
    deliveries = _ours(material, links, orders, times)
    links = Links(
        plan,
        links.own | {d.reference for d in deliveries},
        links.others,
        material.base,
    )
    coded: list[Resource] = []
    rated: list[Resource] = []
    series = read_series(_noting(observations, coded, rated), links, times, convert)
    ratings = [
        rating
        for rating in read_ratings(
            (each for each in rated if links.of(each) != "other"), material.base
        )
        if times.asked.holds(rating.at)
    ]
    entries = [
        entry
        for entry in read_entries(coded, material.base)
        if question.last is None or entry.at is None or entry.at.day <= question.last
    ]
    return Course(
        material,
        question,
        plan,
        times,
        targets(material.plan.get("replaces"), material.base),
        series,
        orders,
        deliveries,
        read_responses(coded, deliveries, material.base),
        entries,
        pairs_of(ratings),
    )


def period_words(course: Course) -> str:
    """The days the answer is about, in words."""
    first = course.first_day
    return f"{iso(first) if first else 'the first record'} to {iso(course.last_day)}"


def _noting(
    observations: Iterable[tuple[Resource, Any]], coded: list[Resource], rated: list[Resource]
) -> Iterable[tuple[Resource, Any]]:
    """Pass Observations on; keep those with a coded answer or a score, and ratings."""
    for resource, source in observations:
        if is_rating(resource):
            rated.append(resource)
        if "valueCodeableConcept" in resource or "focus" in resource:
            coded.append(resource)
        yield resource, source


def _span(plan: Resource) -> Span:
    period = plan.get("period") or {}
    return Span(_edge(period.get("start")), _edge(period.get("end"), last=True))


def _edge(text: str | None, *, last: bool = False) -> Moment | None:
    if not text:
        return None
    exact = moment(text)
    if exact is not None:
        return exact
    day = day_of(text)
    if day is None:
        return None
    # A month or year as an end lasts to its last day.
    return Moment(_last_day(text) if last else day, None)


def _last_day(text: str) -> int:
    year, month = int(text[:4]), int(text[5:7]) if len(text) == 7 else 12
    following = f"{year + month // 12:04d}-{month % 12 + 1:02d}-01"
    after = day_of(following)
    return after - 1 if after is not None else Moment(3652059, None).day


def _own_requests(material: Material, plan: str) -> frozenset[str]:
    """Requests that the plan lists among its activities, or that are based on it."""
    listed = [target(a.get("reference"), material.base) for a in material.plan.get("activity", ())]
    based = [
        named(request)
        for request in material.requests
        if plan in targets(request.get("basedOn"), material.base)
    ]
    return frozenset([*(name for name in listed if name), *based])


def _links(material: Material, plan: str, own: frozenset[str]) -> Links:
    """Which requests and procedures are this plan's, and which another's."""
    others = {
        named(request)
        for request in material.requests
        if named(request) not in own and targets(request.get("basedOn"), material.base)
    }
    links = Links(plan, own, frozenset(others), material.base)
    kinds: dict[str, set[str]] = {"own": set(), "other": set(), "none": set()}
    for procedure in material.procedures:
        kinds[links.of(procedure)].add(named(procedure))
    return Links(plan, own | kinds["own"], frozenset(others | kinds["other"]), material.base)


def _ours(
    material: Material, links: Links, orders: Sequence[Order], times: PlanTimes
) -> list[Delivery]:
    """Techniques of this plan: linked to it, or of an ordered technique within its period."""
    ordered = {order.key for order in orders}
    found = []
    for delivery in read_deliveries(material.procedures, material.base):
        at = delivery.start
        asked = times.asked.holds(at) if at else times.asked == Span()
        loose = delivery.reference not in links.others and delivery.key in ordered
        mine = delivery.reference in links.own or (loose and at and times.plan.holds(at))
        if mine and asked:
            found.append(delivery)
    return found
