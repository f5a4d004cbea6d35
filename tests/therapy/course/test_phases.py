"""Which phase does a value belong to? The rule of the operation, line by line."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.course.phases import Link, Phase, Placed, PlanTimes, Span, months_before, place
from service.therapy.moments import Moment, moment


def at(text: str) -> Moment:
    found = moment(text)
    assert found is not None
    return found


PLAN = Span(at("2026-03-02"), at("2026-06-30"))
TIMES = PlanTimes(PLAN, at("2025-09-02").day)


@pytest.mark.parametrize(
    ("explicit", "when", "link", "expected"),
    [
        (None, "2026-03-01", "none", "baseline"),
        (None, "2026-03-01T23:59:00+01:00", "own", "baseline"),
        (None, "2026-03-02", "none", "treatment"),
        (None, "2026-06-30T18:00:00Z", "own", "treatment"),
        (None, "2026-07-01", "own", "follow-up"),
        (None, "2025-09-02", "none", "baseline"),
        (None, "2025-09-01", "none", "elsewhere"),
        (None, "2026-04-01", "other", "elsewhere"),
        (None, "2026-02-01", "other", "baseline"),
        ("treatment", "2026-02-20", "own", "treatment"),
        ("treatment", "2026-02-20", "none", "treatment"),
        ("treatment", "2026-02-20", "other", "elsewhere"),
        ("baseline", "2026-03-05", "own", "baseline"),
        ("baseline", "2026-03-05", "none", "baseline"),
        ("baseline", "2025-06-01", "none", "baseline"),
        ("baseline", "2026-07-05", "none", "elsewhere"),
        ("baseline", "2026-02-05", "other", "elsewhere"),
        ("follow-up", "2026-04-05", "own", "follow-up"),
    ],
)
def test_phase(explicit: Phase | None, when: str, link: Link, expected: Placed) -> None:
    assert place(explicit, at(when), link, TIMES) == expected


def test_a_value_without_a_day_has_no_place() -> None:
    assert place("treatment", None, "own", TIMES) == "undated"


def test_a_plan_without_a_start_takes_marked_baseline_and_linked_treatment_only() -> None:
    times = PlanTimes(Span(), None)
    assert place("baseline", at("2026-01-01"), "none", times) == "baseline"
    assert place(None, at("2026-01-01"), "own", times) == "treatment"
    assert place(None, at("2026-01-01"), "none", times) == "elsewhere"


def test_the_plan_before_keeps_its_values() -> None:
    before = Span(at("2025-11-03"), at("2026-02-28"))
    times = PlanTimes(PLAN, at("2025-11-03").day, others=(before,))
    assert place("treatment", at("2026-01-05"), "none", times) == "elsewhere"
    assert place("baseline", at("2025-10-20"), "none", times) == "elsewhere"
    assert place("baseline", at("2026-03-01"), "none", times) == "baseline"
    later = PlanTimes(before, at("2025-05-03").day, others=(PLAN,))
    assert place("baseline", at("2026-03-01"), "none", later) == "elsewhere"
    assert place("baseline", at("2025-10-20"), "none", later) == "baseline"


def test_a_look_back_that_was_asked_for_binds_marked_values_too() -> None:
    strict = PlanTimes(PLAN, at("2026-02-02").day, strict=True)
    assert place("baseline", at("2026-02-01"), "none", strict) == "elsewhere"
    assert place("baseline", at("2026-02-02"), "none", strict) == "baseline"


def test_the_asked_period_narrows_treatment_and_not_baseline() -> None:
    times = PlanTimes(PLAN, None, asked=Span(at("2026-04-01"), at("2026-04-30")))
    assert place(None, at("2026-03-10"), "own", times) == "elsewhere"
    assert place(None, at("2026-04-30T20:00:00Z"), "own", times) == "treatment"
    assert place(None, at("2026-02-10"), "none", times) == "baseline"


def test_on_the_first_day_the_clock_decides_where_both_have_one() -> None:
    times = PlanTimes(Span(at("2026-03-02T13:00:00+01:00")), None)
    assert place(None, at("2026-03-02T09:00:00+01:00"), "none", times) == "baseline"
    assert place(None, at("2026-03-02T14:00:00+01:00"), "none", times) == "treatment"
    assert place(None, at("2026-03-02"), "none", times) == "treatment"


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2026, 8, 31), 6, date(2026, 2, 28)),
        (date(2024, 8, 31), 6, date(2024, 2, 29)),
        (date(2026, 3, 2), 0, date(2026, 3, 2)),
        (date(2026, 1, 15), 1, date(2025, 12, 15)),
    ],
)
def test_months_before(day: date, months: int, expected: date) -> None:
    assert date.fromordinal(months_before(day.toordinal(), months)) == expected


@given(st.dates(date(1950, 1, 1)), st.integers(0, 1200))
def test_months_before_never_fails_and_never_leads_forward(day: date, months: int) -> None:
    assert 1 <= months_before(day.toordinal(), months) <= day.toordinal()
