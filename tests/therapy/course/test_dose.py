"""Ordered against given: worked examples of the dose, and what is not recorded."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.course.dose import TechniqueDose, ordered_sessions, technique_doses
from service.therapy.course.doses import Dose, Order, read_deliveries, read_orders
from service.therapy.facts import band_of, facts
from service.therapy.moments import iso
from tests.factories.course import START, concept, delivered, dose, order, plan, quantity

COLD = "faucial-cold-strokes"
LAST = START + timedelta(days=27)


def doses(orders: list[Any], procedures: list[Any], until: date = LAST) -> list[TechniqueDose]:
    return technique_doses(
        read_orders(orders, plan()),
        read_deliveries(procedures),
        START.toordinal(),
        until.toordinal(),
    )


def test_ordered_and_delivered_sessions_sides_and_reasons() -> None:
    """Four weeks, twice a week: 8 sessions ordered, 6 given, two left out for a reason."""
    procedures = [delivered("p1", n, COLD, START + timedelta(days=3 * n)) for n in range(6)]
    procedures += [
        delivered("p1", 6, COLD, START + timedelta(days=19), reason="illness"),
        delivered("p1", 7, COLD, START + timedelta(days=22), reason="transport"),
    ]
    (found,) = doses([order("p1", COLD, START, LAST)], procedures)
    assert (found.sessions.ordered, found.sessions.given) == (8, 6)
    assert found.sessions.adherence == pytest.approx(75)
    assert found.missed == {"illness": 1, "transport": 1}
    assert (found.left, found.right, found.side_ratio) == (90, 90, 1)
    assert found.strokes_a_side == 8 * 15
    assert [amount.kind for amount in found.amounts] == ["sets"]
    assert found.band == "moderate"


def test_planned_three_hundred_delivered_two_hundred_fifty_five() -> None:
    """100 * 255 / 300 = 85 %: trials, as in the dose computation of tactile stimulation."""
    ordered = order("p1", COLD, START, START + timedelta(days=6), per_week=10)
    ordered["extension"] = [dose(trials=30, strokesPerSide=5)]
    given_ = [
        delivered("p1", n, COLD, START, extension=[dose(trials=30 if n < 8 else 15)])
        for n in range(9)
    ]
    (found,) = doses([ordered], given_)
    (trials,) = found.amounts
    assert (trials.ordered, trials.given) == (300, 255)
    assert trials.adherence == pytest.approx(85.0)
    # 5 strokes a side in each of 30 trials, ten sessions
    assert found.strokes_a_side == 5 * 30 * 10


@pytest.mark.parametrize(
    ("percent", "band"),
    [
        (49.9, "low"),
        (50.5, "low"),
        (51, "moderate"),
        (75.5, "moderate"),
        (76, "high"),
        (120, "high"),
    ],
)
def test_adherence_bands_have_no_gaps(percent: float, band: str) -> None:
    """104 people with head and neck cancer: >= 76, 51 to 75, below 50; gaps decided in data."""
    assert band_of(percent, facts("doses")["adherence"]["bands"]) == band


def test_more_than_ordered_is_not_capped() -> None:
    ordered = order("p1", COLD, START, START + timedelta(days=6), per_week=1)
    (found,) = doses([ordered], [delivered("p1", n, COLD, START) for n in range(3)])
    assert found.sessions.adherence == pytest.approx(300)


def test_unrecorded_is_not_left_out() -> None:
    (found,) = doses([order("p1", COLD, START, LAST)], [])
    assert (found.sessions.ordered, found.sessions.given) == (8, 0)
    assert found.missed == {}
    assert found.left is None
    assert found.side_ratio is None


def test_given_without_an_order_has_no_adherence() -> None:
    (found,) = doses([], [delivered("p1", 1, COLD, START)])
    assert found.sessions.ordered is None
    assert found.sessions.adherence is None


def test_several_orders_of_one_technique_add_up() -> None:
    first = order("p1", COLD, START, START + timedelta(days=13))
    second = order("p1", COLD, START + timedelta(days=14), LAST, per_week=3) | {"id": "second"}
    (found,) = doses([first, second], [])
    assert found.sessions.ordered == 2 * 2 + 3 * 2


def test_an_order_that_still_runs_counts_the_share_that_is_over() -> None:
    running = order("p1", COLD, START, LAST, per_week=2)
    (found,) = read_orders([running], plan())
    half = START + timedelta(days=9)
    assert ordered_sessions(found, None, half.toordinal()) == pytest.approx(2 * 10 / 7)
    assert ordered_sessions(found, None, LAST.toordinal()) == 8
    before = START - timedelta(days=1)
    assert ordered_sessions(found, None, before.toordinal()) == 0


def test_orders_told_by_count_by_date_by_period_and_not_at_all() -> None:
    def one(**more: Any) -> Order:
        resource = order("p1", COLD, START, LAST)
        del resource["occurrenceTiming"]
        (found,) = read_orders([resource | more], plan())
        return found

    until = LAST.toordinal()
    daily = {"repeat": {"frequency": 3, "period": 1, "periodUnit": "d"}}
    assert ordered_sessions(one(occurrenceDateTime="2026-03-05"), None, until) == 1
    assert ordered_sessions(one(occurrenceTiming={"repeat": {"count": 12}}), None, until) == 12
    events = {"event": ["2026-03-05", "2026-03-06"]}
    assert ordered_sessions(one(occurrenceTiming=events), None, until) == 2
    assert ordered_sessions(one(occurrenceTiming=daily), START.toordinal(), until) == 84
    assert ordered_sessions(one(), None, until) is None
    weeks = {"boundsDuration": quantity(2, "wk"), "frequency": 1, "period": 1, "periodUnit": "wk"}
    timed = one(occurrenceTiming={"repeat": weeks}, authoredOn=START.isoformat())
    assert ordered_sessions(timed, None, until) == 2


def test_a_referral_is_no_technique_and_an_activity_in_the_plan_is_one() -> None:
    referral = order("p1", COLD, START, LAST) | {"code": {"text": "Instrumental study"}}
    del referral["occurrenceTiming"]
    detail = {"code": concept("technique", "head-lift"), "status": "in-progress"}
    found = read_orders([referral], plan(activity=[{"detail": detail}]))
    assert [each.key[1] for each in found] == ["head-lift"]


def test_weeks_run_from_the_first_day() -> None:
    procedures = [
        delivered("p1", n, COLD, START + timedelta(days=day)) for n, day in enumerate((0, 3, 7, 27))
    ]
    (found,) = doses([order("p1", COLD, START, LAST)], procedures)
    assert [week.given for week in found.weeks] == [2, 1, 0, 1]
    assert [iso(week.first_day) for week in found.weeks][:2] == ["2026-03-02", "2026-03-09"]
    assert {week.ordered for week in found.weeks} == {2}


def test_a_published_dose_stands_beside_what_was_given() -> None:
    """Rosenbek 1998: 150 to 600 trials a week."""
    given_ = [delivered("p1", n, COLD, START, extension=[dose(trials=45)]) for n in range(5)]
    (found,) = doses([], given_)
    assert found.published[0].startswith(
        "225 trials in a week with sessions; published: 150 to 600"
    )


def test_minutes_come_from_the_dose_or_the_time_of_the_procedure() -> None:
    timed = delivered("p1", 1, COLD, START)
    del timed["performedDateTime"]
    timed["performedPeriod"] = {"start": "2026-03-02T10:00:00Z", "end": "2026-03-02T10:12:00Z"}
    (found,) = doses([], [timed])
    assert [(a.kind, a.given) for a in found.amounts] == [("sets", 3), ("minutes", 12)]


@given(st.integers(1, 7), st.integers(0, 400), st.integers(0, 400))
def test_ordered_sessions_never_fall_with_time(per_week: int, one: int, other: int) -> None:
    running = Order(None, {}, ("", ""), "active", 0, 1000, float(per_week), 7.0, None, Dose())
    early, late = sorted((one, other))
    first, second = ordered_sessions(running, None, early), ordered_sessions(running, None, late)
    assert first is not None
    assert second is not None
    assert first <= second
