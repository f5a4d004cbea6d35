"""Do the six courses go the way they are meant to, and do goals agree with measurements?

Theil-Sen slope: Sen 1968, J Am Stat Assoc 63:1379-1389.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from itertools import pairwise
from statistics import mean

import pytest

from tests.examples.invented import (
    Json,
    all_of,
    code_of,
    day_of,
    direction,
    entries,
    series_of,
    slope_per_week,
)


def test_plans_have_versions_and_one_replaces_another() -> None:
    versions: dict[str, list[Json]] = defaultdict(list)
    for entry in entries():
        if entry["resource"]["resourceType"] == "CarePlan":
            versions[entry["resource"]["id"]].append(entry["resource"])
    assert len(versions) == 7
    assert all(len(found) >= 2 for found in versions.values())
    for found in versions.values():
        notes = [len(version["note"]) for version in found]
        assert notes == list(range(1, len(found) + 1))
        assert all(a != b for a, b in pairwise(found))
    replacing = [plan for plan in all_of("CarePlan") if "replaces" in plan]
    assert len(replacing) == 1
    replaced = replacing[0]["replaces"][0]["reference"]
    old = next(plan for plan in all_of("CarePlan") if f"CarePlan/{plan['id']}" == replaced)
    assert old["status"] == "completed"
    assert old["period"]["end"] < replacing[0]["period"]["start"]


def test_plans_end_in_each_of_the_ways_a_plan_can() -> None:
    assert Counter(p["status"] for p in all_of("CarePlan")) == Counter(
        {"completed": 4, "active": 2, "revoked": 1}
    )


def _goal_checks() -> Iterator[tuple[Json, str, Callable[[float], bool]]]:
    for goal in all_of("Goal"):
        target = goal["target"][0]
        bounds = target["detailRange"]
        low = bounds.get("low", {"value": float("-inf")})["value"]
        high = bounds.get("high", {"value": float("inf")})["value"]

        def met(value: float, low: float = low, high: float = high) -> bool:
            return bool(low <= value <= high)

        code = target["measure"]["coding"][0]["code"]
        key = f"{code}@lip-corner-left" if code == "lip-strength" else code
        yield goal, key, met


def test_goals_reached_and_missed_agree_with_the_last_measurement() -> None:
    seen: Counter[str] = Counter()
    for goal, key, met in _goal_checks():
        status = goal["achievementStatus"]["coding"][0]["code"]
        seen[status] += 1
        if status not in ("achieved", "not-achieved", "not-attainable"):
            continue
        client = goal["subject"]["reference"]
        value = [v for day, v in series_of(client, key) if day <= goal["statusDate"]][-1]
        assert met(value) == (status == "achieved"), (goal["id"], value)
        assert goal["outcomeReference"]
    assert seen["achieved"] >= 5
    assert seen["not-achieved"] >= 4
    assert seen["not-attainable"] == 3
    assert seen["in-progress"] >= 2


def test_no_goal_is_reached_before_its_plan_begins() -> None:
    """Each goal's measure has three or more baseline values, none of them enough."""
    for goal, key, met in _goal_checks():
        if key == "home-practice-days":
            continue
        before = [
            value
            for day, value in series_of(goal["subject"]["reference"], key)
            if day < goal["startDate"]
        ]
        assert len(before) >= 3, goal["id"]
        if goal["id"].startswith("amos"):
            continue  # what he has at the start is to be kept
        assert not met(mean(before[-3:])), goal["id"]


IMPROVING = [
    ("marta-quillern", "swallow-delay"),
    ("marta-quillern", "eat-10-total"),
    ("marta-quillern", "oral-intake-level"),
    ("marta-quillern", "tongue-pressure"),
    ("tobias-ashvale", "lip-strength@lip-corner-left"),
    ("tobias-ashvale", "drink-leaks"),
    ("pim-sandhollow", "lip-closure-time"),
    ("pim-sandhollow", "drool-episodes"),
]
WORSENING = [
    ("amos-wexcombe", "eat-10-total"),
    ("amos-wexcombe", "water-swallow-capacity"),
    ("amos-wexcombe", "tongue-pressure"),
]


@pytest.mark.parametrize(("client", "key"), IMPROVING)
def test_who_is_to_improve_improves(client: str, key: str) -> None:
    series = series_of(f"Patient/{client}", key)
    better = direction(key.split("@")[0])
    assert (series[-1][1] - series[0][1]) * better > 0
    assert slope_per_week(series) * better > 0


@pytest.mark.parametrize(("client", "key"), WORSENING)
def test_who_is_to_worsen_worsens(client: str, key: str) -> None:
    series = series_of(f"Patient/{client}", key)
    better = direction(key)
    assert (series[-1][1] - series[0][1]) * better < 0
    assert slope_per_week(series) * better < 0


def test_who_worsens_loses_weight_and_saturation_and_is_referred_back() -> None:
    amos = "Patient/amos-wexcombe"
    weights = [value for _, value in series_of(amos, "29463-7")]
    assert weights[-1] < weights[0] - 3
    by_session: dict[str, dict[str, float]] = defaultdict(dict)
    for o in all_of("Observation"):
        if o["subject"]["reference"] == amos and code_of(o) == "2708-6":
            end = o["identifier"][0]["value"].rsplit("-", 1)[1]
            by_session[day_of(o)][end] = o["valueQuantity"]["value"]
    falls = [v["start"] - v["end"] for _, v in sorted(by_session.items())]
    assert mean(falls[-5:]) > mean(falls[:5]) + 1
    referral = next(r for r in all_of("ServiceRequest") if r["id"] == "amos-wexcombe-referral")
    assert referral["priority"] == "urgent"
    assert all_of("DetectedIssue")


def test_who_is_to_plateau_gains_early_and_then_stays() -> None:
    series = series_of("Patient/edda-rowanlea", "intelligibility")
    begin, middle, end = series[:4], series[14:22], series[-8:]
    gain = mean(v for _, v in middle) - mean(v for _, v in begin)
    later = mean(v for _, v in end) - mean(v for _, v in middle)
    assert gain > 3
    assert abs(later) < gain / 3
