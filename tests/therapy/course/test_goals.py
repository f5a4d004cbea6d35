"""Levels of goals from targets, measurements and entries, and the status they propose."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.course.goals import (
    Level,
    Measured,
    Target,
    level_of,
    proposed_status,
    read_entries,
    targets_of,
    weights_of,
)
from service.therapy.measures import MEASURES, known_measures
from tests.factories.course import concept, goal, quantity

DELAY = known_measures()[MEASURES, "swallow-delay"]
INTAKE = known_measures()[MEASURES, "oral-intake-level"]
PRESSURE = known_measures()[MEASURES, "tongue-pressure"]


def no_units(number: float, unit: str, wanted: str) -> float | None:
    return number / 1000 if (unit, wanted) == ("ms", "s") else None


def level(target: Target, baseline: list[float], latest: float) -> tuple[int | None, int | None]:
    found = level_of("Goal/g", target, Measured(baseline, latest), [])
    return found.baseline, found.achieved


@pytest.mark.parametrize(
    ("latest", "score"),
    [(18, -2), (20, -1), (25, -1), (29.9, -1), (30, 0), (34.9, 0), (35, 1), (39.9, 1), (40, 2)],
)
def test_levels_on_a_scale_where_more_is_better(latest: float, score: int) -> None:
    """Baseline 20 (19 to 21), target 30: half the way more is +1, the whole way +2."""
    assert level(Target(PRESSURE, 30, None, "kPa", None), [19, 20, 21], latest) == (-1, score)


@pytest.mark.parametrize(("latest", "score"), [(5.5, -2), (4, -1), (3, 0), (2.5, 1), (2, 2)])
def test_levels_where_less_is_better(latest: float, score: int) -> None:
    assert level(Target(DELAY, None, 3, "s", None), [4.0, 4.0, 5.0], latest) == (-1, score)


def test_at_the_worst_end_of_a_scale_the_baseline_is_minus_two() -> None:
    """Convention of goal attainment scaling: -2 where no worse state is plausible."""
    target = Target(INTAKE, 5, None, "{score}", None)
    assert level(target, [1, 1], 1) == (-2, -2)
    assert level(target, [1, 1], 3) == (-2, -1)
    assert level(target, [1, 1], 5) == (-2, 0)


def test_a_baseline_beyond_the_target_and_none_at_all() -> None:
    target = Target(PRESSURE, 30, None, "kPa", None)
    assert level(target, [32, 33], 34) == (0, 0)
    assert level(target, [32, 33], 31) == (0, 0)
    assert level(target, [], 31) == (None, 0)
    assert level(target, [], 29) == (None, -1)


def test_a_range_for_a_measure_without_a_better_way() -> None:
    rate = known_measures()[MEASURES, "speaking-rate"]
    target = Target(rate, 140, 180, "/min", None)
    assert level(target, [200, 210], 160) == (-1, 0)
    assert level(target, [150], 200) == (0, -1)


def test_nothing_measured_or_no_target_says_so() -> None:
    target = Target(PRESSURE, 30, None, "kPa", None)
    assert "nothing measured" in level_of("Goal/g", target, None, []).rule
    assert "no numeric target" in level_of("Goal/g", None, Measured([1], 2), []).rule


def entry(code: str, answer: str, when: str, **more: Any) -> dict[str, Any]:
    found: dict[str, Any] = {
        "resourceType": "Observation",
        "id": f"{code}-{answer}-{when}",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "focus": [{"reference": "Goal/g"}],
        "effectiveDateTime": when,
        "valueCodeableConcept": {"coding": [{"system": "http://loinc.org", "code": answer}]},
    }
    return found | more


def test_an_entry_goes_before_what_is_computed() -> None:
    """LOINC 107333-7 with answers of LL6900-6: LA34480-6 is +1, LA34484-8 is -2."""
    entries = read_entries(
        [
            entry("107333-7", "LA34480-6", "2026-05-01"),
            entry("107333-7", "LA34481-4", "2026-04-01"),
            entry("107334-5", "LA34479-8", "2026-06-01"),
            entry("112296-9", "LA34484-8", "2026-03-01"),
            entry("107333-7", "LA34479-8", "2026-07-01", status="entered-in-error"),
            entry("107333-7", "LA34479-8", "2026-07-01", focus=[{"reference": "Goal/other"}]),
            entry("99999-9", "LA34479-8", "2026-07-01"),
        ]
    )
    target = Target(PRESSURE, 30, None, "kPa", None)
    found = level_of("Goal/g", target, Measured([20, 20], 22), entries)
    assert (found.baseline, found.achieved) == (-2, 1)
    assert "as entered" in found.rule
    only_after = [each for each in entries if each.code != "112296-9"]
    mixed = level_of("Goal/g", target, Measured([20, 20], 22), only_after)
    assert (mixed.baseline, mixed.achieved) == (-1, 1)


def test_targets_of_every_kind() -> None:
    def one(**detail: Any) -> Target:
        resource = goal("p1", "swallow-delay", "s", high=3)
        del resource["target"][0]["detailRange"]
        resource["target"][0] |= detail
        (found,) = targets_of(resource, no_units)
        return found

    assert one(detailQuantity=quantity(3, "s")).high == 3
    assert one(detailQuantity=quantity(3000, "ms")).high == 3
    at_least = one(detailQuantity=quantity(3, "s") | {"comparator": ">="})
    assert (at_least.low, at_least.high) == (3, None)
    assert one(detailInteger=2).high == 2
    assert one(detailRange={"low": quantity(1, "s"), "high": quantity(2, "s")}).bound == 2
    text = goal("p1", "swallow-delay", "s", high=3)
    text["target"][0] = {"measure": concept("measure", "swallow-delay"), "detailString": "faster"}
    assert targets_of(text, no_units) == []
    assert targets_of({"target": [{"dueDate": "2026-05-01"}]}, no_units) == []


def test_weights_as_stated_by_priority_or_one() -> None:
    def weighted(value: float) -> dict[str, Any]:
        url = "https://hyoid.example/fhir/StructureDefinition/goal-weight"
        return {"extension": [{"url": url, "valueDecimal": value}]}

    def ranked(code: str) -> dict[str, Any]:
        system = "http://terminology.hl7.org/CodeSystem/goal-priority"
        return {"priority": {"coding": [{"system": system, "code": code}]}}

    assert weights_of([weighted(6), {}]) == [6, 1]
    assert weights_of([ranked("high-priority"), ranked("low-priority")]) == [3, 1]
    assert weights_of([ranked("high-priority"), {}]) == [1, 1]
    assert weights_of([]) == []


@pytest.mark.parametrize(
    ("score", "verdict", "now", "due", "proposed"),
    [
        (0, "improving", None, None, "achieved"),
        (1, "improving", "achieved", None, "sustaining"),
        (-1, "improving", None, 200, "improving"),
        (-1, "improving", None, 50, "not-achieved"),
        (-2, "worsening", None, None, "worsening"),
        (-1, "no reliable change", None, None, "no-change"),
        (-1, "too few data", None, None, "in-progress"),
        (None, None, None, 50, "in-progress"),
    ],
)
def test_proposed_status(
    score: int | None, verdict: str | None, now: str | None, due: int | None, proposed: str
) -> None:
    system = "http://terminology.hl7.org/CodeSystem/goal-achievement"
    status = {"achievementStatus": {"coding": [{"system": system, "code": now}]}} if now else {}
    found = proposed_status(status, Level(-1, score, ""), verdict, due, today=100)
    assert found == proposed


@given(
    st.lists(st.integers(0, 60).map(float), min_size=1, max_size=6),
    st.integers(0, 60),
    st.floats(0, 80),
    st.floats(0, 20),
)
def test_a_better_value_never_lowers_the_level(
    baseline: list[float], bound: int, latest: float, more: float
) -> None:
    target = Target(PRESSURE, bound, None, "kPa", None)
    _, one = level(target, baseline, latest)
    _, other = level(target, baseline, latest + more)
    assert one is not None
    assert other is not None
    assert -2 <= one <= other <= 2
    assert (one >= 0) == target.is_met_by(latest)
