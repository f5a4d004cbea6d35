"""Which technique works for this client? Responses by session, and what changes within one.

The share of sessions with the wanted response, with Wilson's interval (Newcombe 1998); trials
pooled likewise; the change of a measure from before to after a technique within the session, as
the median of the differences with its distribution-free interval (Conover, order statistics).
Sessions are not independent and nothing else was held equal: a hint, no proof.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.therapy.course.doses import Delivery, Key
from service.therapy.course.readings import Series, Value, sessions_of
from service.therapy.direct.proportions import share
from service.therapy.direct.swallow_delay import Delay, delay
from service.therapy.facts import Estimate, facts
from service.therapy.measures import MEASURES, OWN, Measure, known_measures
from service.therapy.moments import Moment, moment_in
from service.therapy.references import coding_in, named, target, targets

Resource = dict[str, Any]

RESPONSES = OWN + "response"
_DELAY = "swallow-delay-after-stimulus"
FEW_SESSIONS = 8
"""Below it the interval spans more than half of all shares."""

_PAIRS_FROM = 3
_INTERVAL_FROM = 6
"""Values from which the median has a distribution-free interval of 95 %."""


class Response(NamedTuple):
    """How a technique was answered once."""

    reference: str
    key: Key
    session: str
    at: Moment | None
    wanted: bool
    trials: int | None
    wanted_trials: int | None
    delays: tuple[float, ...] = ()
    """Seconds from the cue to the response, one a trial."""


@dataclass(frozen=True, slots=True)
class TechniqueResponse:
    """The sessions of one technique; `early` and `late` are the shares of their two halves."""

    technique: Resource
    key: Key
    sessions: int
    wanted: int
    share: Estimate | None
    trials: int
    wanted_trials: int
    trial_share: Estimate | None
    early: float | None
    late: float | None
    references: tuple[str, ...]
    delay: Delay | None = None
    """Seconds from the cue to the response over all trials in which it was timed."""

    @property
    def is_few(self) -> bool:
        """Whether there are too few sessions to tell much."""
        return self.sessions < FEW_SESSIONS


@dataclass(frozen=True, slots=True)
class ImmediateEffect:
    """A measure after the techniques less before them, within sessions."""

    measure: Measure
    site: Resource | None
    techniques: tuple[Resource, ...]
    pairs: int
    better: int
    change: Estimate
    references: tuple[str, ...]


def read_responses(
    observations: Iterable[Resource], deliveries: Sequence[Delivery], base: str = ""
) -> list[Response]:
    """Answers to the techniques given: Observations part of them, else the outcome of each."""
    given = {delivery.reference: delivery for delivery in deliveries if delivery.given}
    found, answered = [], set()
    for resource in observations:
        code = coding_in(resource.get("code"), MEASURES)
        answer = coding_in(resource.get("valueCodeableConcept"), RESPONSES)
        if code is None or code["code"] != "technique-response" or answer is None:
            continue
        if resource.get("status") in ("entered-in-error", "cancelled"):
            continue
        parts = targets(resource.get("partOf"), base)
        delivery = next((given[part] for part in parts if part in given), None)
        if delivery is None:
            continue
        answered.add(delivery.reference)
        at = moment_in(resource, "effective") or delivery.start
        session = target(resource.get("encounter"), base) or delivery.session
        found.append(_response(named(resource), delivery, answer, at, session, resource))
    for reference, delivery in given.items():
        answer = coding_in(delivery.outcome, RESPONSES)
        if answer is not None and reference not in answered:
            at, session = delivery.start, delivery.session
            found.append(_response(reference, delivery, answer, at, session, {}))
    return found


def technique_responses(
    responses: Iterable[Response], deliveries: Sequence[Delivery]
) -> list[TechniqueResponse]:
    """One entry a technique, in the order in which the techniques were first given."""
    grouped: dict[Key, dict[str, Response]] = {d.key: {} for d in deliveries}
    for response in sorted(responses, key=_by_time):
        # Of several answers in one session the last one stands for it.
        grouped.setdefault(response.key, {})[response.session] = response
    names = {delivery.key: delivery.technique for delivery in reversed(deliveries)}
    return [
        _summed(names[key], key, list(by_session.values()))
        for key, by_session in grouped.items()
        if by_session
    ]


def immediate_effects(
    series: Sequence[Series], deliveries: Sequence[Delivery]
) -> list[ImmediateEffect]:
    """Measures taken both before and after techniques of the same session."""
    by_session: dict[str, list[Delivery]] = {}
    for delivery in deliveries:
        if delivery.given and delivery.session and delivery.start and delivery.end:
            by_session.setdefault(delivery.session, []).append(delivery)
    found = []
    for before, after in _pairs(series):
        later = sessions_of(after)
        grouped: dict[frozenset[Key], list[tuple[Value, Value]]] = {}
        for session, values in sessions_of(before).items():
            pair = _around(values, later.get(session, []), by_session.get(session, []))
            if pair is not None:
                keys, first, last = pair
                grouped.setdefault(keys, []).append((first, last))
        names = {delivery.key: delivery.technique for delivery in deliveries}
        for keys, pairs in grouped.items():
            if len(pairs) < _PAIRS_FROM:
                continue
            techniques = tuple(names[key] for key in sorted(keys))
            found.append(_effect(before, techniques, pairs))
    return found


def median_interval(values: Sequence[float]) -> Estimate:
    """The median; from six values on with an interval between two of them (at least 95 %)."""
    ordered, n = sorted(values), len(values)
    median = statistics.median(ordered)
    if n < _INTERVAL_FROM:
        return Estimate(median)
    from scipy.stats import binom

    rank = int(binom.ppf(0.025, n, 0.5))
    return Estimate(median, ordered[rank - 1], ordered[n - rank])


def _response(
    reference: str,
    delivery: Delivery,
    answer: Resource,
    at: Moment | None,
    session: str | None,
    resource: Resource,
) -> Response:
    counts, delays = {}, []
    for component in resource.get("component", ()):
        code = coding_in(component.get("code"), MEASURES)
        quantity = component.get("valueQuantity", {})
        number = quantity.get("value", component.get("valueInteger"))
        if code is None or not isinstance(number, int | float):
            continue
        if code["code"] == _DELAY and quantity.get("code") == "s":
            delays.append(float(number))
        elif number == int(number):
            counts[code["code"]] = int(number)
    trials, wanted = counts.get("trials"), counts.get("wanted-trials")
    if trials is None or wanted is None or not 0 <= wanted <= trials:
        trials = wanted = None
    where = session or (f"day {at.day}" if at else reference)
    is_wanted = answer["code"] == "wanted"
    return Response(reference, delivery.key, where, at, is_wanted, trials, wanted, tuple(delays))


def _by_time(response: Response) -> tuple[tuple[int, float], str]:
    return (response.at.order if response.at else (0, 0.0)), response.reference


def _summed(technique: Resource, key: Key, responses: list[Response]) -> TechniqueResponse:
    wanted = [response.wanted for response in responses]
    counted = [(r.trials, r.wanted_trials) for r in responses if r.trials is not None]
    trials = sum(trials or 0 for trials, _ in counted)
    wanted_trials = sum(wanted or 0 for _, wanted in counted)
    half = len(wanted) // 2
    return TechniqueResponse(
        technique,
        key,
        len(responses),
        sum(wanted),
        share(sum(wanted), len(wanted)),
        trials,
        wanted_trials,
        share(wanted_trials, trials),
        sum(wanted[:half]) / half if half else None,
        sum(wanted[half:]) / (len(wanted) - half) if half else None,
        tuple(response.reference for response in responses),
        delay([seconds for response in responses for seconds in response.delays]),
    )


def _pairs(series: Sequence[Series]) -> list[tuple[Series, Series]]:
    """Each series with itself, and with the one that is its `after` (standard-measures.json)."""
    after = {
        known_measures()[MEASURES, row["before"]].code: row["after"]
        for row in facts("standard-measures")["pairs"]
    }
    found = [(one, one) for one in series]
    for one in series:
        for other in series:
            same_place = one.site == other.site and one.measure.system == MEASURES
            if same_place and after.get(one.measure.code) == other.measure.code:
                found.append((one, other))
    return found


def _around(
    before: Sequence[Value], after: Sequence[Value], deliveries: Sequence[Delivery]
) -> tuple[frozenset[Key], Value, Value] | None:
    """The techniques that lie between the first value and the last one of a session."""
    if not before or not after or not deliveries:
        return None
    first, last = before[0], after[-1]
    if first.at.second is None or last.at.second is None or first is last:
        return None
    between = frozenset(
        delivery.key
        for delivery in deliveries
        if delivery.start
        and delivery.end
        and not delivery.start.is_before(first.at)
        and not last.at.is_before(delivery.end)
    )
    return (between, first, last) if between else None


def _effect(
    series: Series, techniques: tuple[Resource, ...], pairs: list[tuple[Value, Value]]
) -> ImmediateEffect:
    differences = [after.number - before.number for before, after in pairs]
    sign = {"increase": 1, "decrease": -1, None: 0}[series.measure.direction]
    return ImmediateEffect(
        series.measure,
        series.site,
        techniques,
        len(pairs),
        sum(sign * difference > 0 for difference in differences),
        median_interval(differences),
        tuple(value.reference for pair in pairs for value in pair),
    )
