"""How far is this goal reached? A level from -2 to +2, and a status to propose.

A therapist's entry (an Observation with a goal-attainment code that has the Goal as its focus)
goes first; else the level follows from the target and what was measured, by our own rule in
mappings/measures/goal-attainment.json. A proposed status overwrites nothing.
LOINC codes and answers: the person-centred outcomes guide (goal attainment scaling, LL6900-6).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.therapy.direct.parts import Convert
from service.therapy.facts import facts
from service.therapy.measures import Direction, Measure, measure_of
from service.therapy.moments import Moment, day_of, moment_in
from service.therapy.quantities import shown_unit
from service.therapy.references import coding_in, extension, first_coding, named, target

Resource = dict[str, Any]

ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"


class Entry(NamedTuple):
    """A score that somebody has entered."""

    reference: str
    goal: str
    code: str
    score: int
    at: Moment | None


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be reached: at or above `low`, at or below `high`, in the measure's unit."""

    measure: Measure
    low: float | None
    high: float | None
    unit: str
    due: int | None

    @property
    def direction(self) -> Direction | None:
        """Which way leads to it; None for a range without a better way of its own."""
        if self.measure.direction:
            return self.measure.direction
        if self.low is not None and self.high is None:
            return "increase"
        return "decrease" if self.low is None and self.high is not None else None

    @property
    def bound(self) -> float | None:
        """The value at which it is reached."""
        if self.direction == "decrease":
            return self.high if self.high is not None else self.low
        return self.low if self.low is not None else self.high

    def is_met_by(self, value: float) -> bool:
        """Whether a value reaches it; better than the range counts too."""
        if self.direction == "increase":
            return self.bound is not None and value >= self.bound
        if self.direction == "decrease":
            return self.bound is not None and value <= self.bound
        above = self.low is None or value >= self.low
        return above and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Measured:
    """What is known of a goal's measure: baseline values and the last value."""

    baseline: Sequence[float]
    latest: float | None
    references: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Level:
    """A score before and now, and in words how each came about."""

    baseline: int | None
    achieved: int | None
    rule: str
    references: tuple[str, ...] = ()


def targets_of(goal: Resource, convert: Convert) -> list[Target]:
    """The numeric targets of a goal, in the unit of their measure."""
    found = []
    for row in goal.get("target", ()):
        measure = measure_of(row.get("measure"))
        if measure is None:
            continue
        bounds = _bounds(row, measure, convert)
        if bounds is not None:
            low, high, unit = bounds
            found.append(Target(measure, low, high, unit, day_of(row.get("dueDate"))))
    return found


def read_entries(observations: Iterable[Resource], base: str = "") -> list[Entry]:
    """Scores that were entered for goals, in the order of time."""
    data = facts("goal-attainment")["scores"]
    known = frozenset(data["baseline"] + data["achieved"])
    found = []
    for resource in observations:
        code = coding_in(resource.get("code"), data["system"])
        score = _score(resource, data)
        goal = next((g for g in (target(r, base) for r in resource.get("focus", ())) if g), None)
        if code is None or code["code"] not in known or score is None or goal is None:
            continue
        if resource.get("status") in ("entered-in-error", "cancelled"):
            continue
        at = moment_in(resource, "effective")
        found.append(Entry(named(resource), goal, code["code"], score, at))
    return sorted(found, key=lambda e: (e.at.order if e.at else (0, 0.0), e.reference))


def level_of(
    goal: str, goal_target: Target | None, measured: Measured | None, entries: Sequence[Entry]
) -> Level:
    """The level of a goal: what was entered, else what follows from target and measurements."""
    data = facts("goal-attainment")["scores"]
    mine = [entry for entry in entries if entry.goal == goal]
    before = _chosen(mine, data["baseline"])
    after = _chosen(mine, data["achieved"])
    computed = _computed(goal_target, measured)
    entered = tuple(entry.reference for entry in (before, after) if entry)
    if before is None and after is None:
        return computed
    rules = []
    rules.append("baseline as entered" if before else f"baseline: {computed.rule}")
    rules.append("score as entered" if after else f"score: {computed.rule}")
    return Level(
        before.score if before else computed.baseline,
        after.score if after else computed.achieved,
        "; ".join(rules),
        entered if before and after else (*entered, *computed.references),
    )


def weights_of(goals: Sequence[Resource]) -> list[float]:
    """The weight of each goal: as stated, else by priority where all have one, else 1."""
    data = facts("goal-attainment")
    stated = [_stated_weight(goal, data["weights"]["extension"]) for goal in goals]
    if any(weight is not None for weight in stated):
        return [1.0 if weight is None else weight for weight in stated]
    ranks = data["weights"]["priority"]
    priorities = [coding_in(g.get("priority"), data["priority-system"]) for g in goals]
    known = [float(ranks.get(coding["code"], 0)) if coding else 0.0 for coding in priorities]
    return known if all(known) else [1.0] * len(goals)


def proposed_status(
    goal: Resource,
    level: Level,
    verdict: str | None,
    due: int | None,
    today: int,
) -> str:
    """A code of goal-achievement that the numbers would suggest."""
    now = coding_in(goal.get("achievementStatus"), ACHIEVEMENT)
    if level.achieved is not None and level.achieved >= 0:
        kept = now is not None and now["code"] in ("achieved", "sustaining")
        return "sustaining" if kept else "achieved"
    if level.achieved is None and verdict is None:
        return "in-progress"
    if due is not None and due < today:
        return "not-achieved"
    known = {"improving": "improving", "worsening": "worsening", "no reliable change": "no-change"}
    return known.get(verdict or "", "in-progress")


def _bounds(
    row: Resource, measure: Measure, convert: Convert
) -> tuple[float | None, float | None, str] | None:
    if "detailRange" in row:
        low, high = row["detailRange"].get("low"), row["detailRange"].get("high")
    elif "detailQuantity" in row:
        quantity = row["detailQuantity"]
        falls = quantity.get("comparator", "")[:1] == "<" or (
            not quantity.get("comparator") and measure.direction == "decrease"
        )
        low, high = (None, quantity) if falls else (quantity, None)
    elif "detailInteger" in row:
        number = {"value": row["detailInteger"]}
        low, high = (None, number) if measure.direction == "decrease" else (number, None)
    else:
        return None
    units = [q.get("code") or q.get("unit") or "" for q in (low, high) if q]
    unit = measure.unit or next((u for u in units if u), "")
    ends = [_in_unit(low, unit, convert), _in_unit(high, unit, convert)]
    return None if ends == [None, None] else (ends[0], ends[1], unit)


def _in_unit(quantity: Resource | None, unit: str, convert: Convert) -> float | None:
    if not quantity or quantity.get("value") is None:
        return None
    own = quantity.get("code") or quantity.get("unit") or ""
    number = float(quantity["value"])
    return number if own in ("", unit) else convert(number, own, unit)


def _score(resource: Resource, data: Resource) -> int | None:
    answer = coding_in(resource.get("valueCodeableConcept"), data["system"])
    if answer is not None:
        score: int | None = data["answers"].get(answer["code"])
        return score
    number = resource.get("valueInteger")
    if number is None:
        number = resource.get("valueQuantity", {}).get("value")
    return int(number) if number in (-2, -1, 0, 1, 2) else None


def _chosen(entries: Sequence[Entry], codes: Sequence[str]) -> Entry | None:
    """The last entry of the rater who goes first; `entries` are in the order of time."""
    for code in codes:
        mine = [entry for entry in entries if entry.code == code]
        if mine:
            return mine[-1]
    return None


def _computed(goal_target: Target | None, measured: Measured | None) -> Level:
    if goal_target is None or goal_target.bound is None:
        return Level(None, None, "no numeric target of a measure, and no score entered")
    if measured is None or measured.latest is None:
        return Level(None, None, "nothing measured in treatment for the target")
    sign = -1 if goal_target.direction == "decrease" else 1
    if goal_target.direction is None:
        return _in_range(goal_target, measured)
    bound, latest = sign * goal_target.bound, sign * measured.latest
    values = sorted(sign * value for value in measured.baseline)
    if not values:
        reached = latest >= bound
        rule = "target reached" if reached else "target not reached"
        return Level(None, 0 if reached else -1, f"{rule}; no baseline", measured.references)
    middle = (values[(len(values) - 1) // 2] + values[len(values) // 2]) / 2
    worst = goal_target.measure.worst
    lowest = worst is not None and middle <= sign * worst
    before = 0 if middle >= bound else -2 if lowest else -1
    after = _achieved(latest, bound, middle, values[0], lowest)
    rule = (
        f"baseline median {sign * middle:g}, last value {measured.latest:g},"
        f" target {goal_target.bound:g} {shown_unit(goal_target.unit)}".rstrip()
    )
    return Level(before, after, rule, measured.references)


def _achieved(latest: float, bound: float, middle: float, lowest: float, at_worst: bool) -> int:
    """-2 to 2 for a value on a scale on which more is better."""
    data = facts("goal-attainment")["levels"]
    way = bound - middle
    if latest >= bound:
        if way <= 0:
            return 0
        if latest >= bound + data["much-better"] * way:
            return 2
        return 1 if latest >= bound + data["better"] * way else 0
    if at_worst:
        return -1 if latest > middle else -2
    return -2 if latest < lowest else -1


def _in_range(goal_target: Target, measured: Measured) -> Level:
    """A range without a better way: within it is 0, outside is -1."""
    assert measured.latest is not None
    before = None
    if measured.baseline:
        ordered = sorted(measured.baseline)
        middle = (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2
        before = 0 if goal_target.is_met_by(middle) else -1
    after = 0 if goal_target.is_met_by(measured.latest) else -1
    return Level(before, after, "within the range or not", measured.references)


def _stated_weight(goal: Resource, url: str) -> float | None:
    found = extension(goal, url)
    value = (found or {}).get("valueDecimal", (found or {}).get("valueInteger"))
    if not isinstance(value, int | float):
        return None
    return float(value) if 0 <= value <= 1e6 else None


def goal_name(goal: Resource) -> str:
    """What a goal says."""
    description = goal.get("description") or {}
    coding = first_coding(description) or {}
    return str(description.get("text") or coding.get("display") or named(goal))
