"""When a target would be reached: worked examples, and what is not told."""

from __future__ import annotations

import pytest

from service.therapy.change.projection import project
from service.therapy.change.trend import Line, theil_sen
from service.therapy.facts import Estimate

WEEKS = list(range(8))
VALUES = [22, 24, 23, 26, 27, 29, 28, 31]


def line(days: list[int], values: list[float]) -> Line:
    found = theil_sen(days, values)
    assert found is not None
    return found


def test_best_earliest_and_latest() -> None:
    """SciPy's theilslopes on weeks 0 to 7: slope 1.25 (0.8 to 2.0); target 40."""
    found = project(line(WEEKS, VALUES), 40, rising=True, first_day=0, last_day=7)
    assert found.day == pytest.approx(14.3)
    assert found.earliest == pytest.approx(10.25)
    assert found.latest == pytest.approx(20.375)


def test_sens_data_to_one_hundred() -> None:
    """Sen 1968 with its 93 % interval: 24.0, 22.2857 to 25.5385."""
    days, values = [1, 2, 3, 4, 10, 12, 18], [9.0, 15, 19, 20, 45, 55, 78]
    found = project(line(days, values), 100, rising=True, first_day=1, last_day=18)
    assert found.day == pytest.approx(24.0)
    assert found.earliest == pytest.approx(22.2857, abs=5e-5)
    assert found.latest == pytest.approx(25.5385, abs=5e-5)


def test_the_mirror_image_is_projected_alike() -> None:
    rising = project(line(WEEKS, VALUES), 40, rising=True, first_day=0, last_day=7)
    mirrored = [-value for value in VALUES]
    falling = project(line(WEEKS, mirrored), -40, rising=False, first_day=0, last_day=7)
    assert (falling.day, falling.earliest, falling.latest) == pytest.approx(
        (rising.day, rising.earliest, rising.latest)
    )


def test_latest_is_not_bounded_where_the_interval_reaches_zero() -> None:
    """Treatment values of Parker, Vannest and Davis 2011: the raw formula gives -8."""
    values = [28.0, 25, 24, 27, 30, 30, 29]
    found = project(line(list(range(1, 8)), values), 33, rising=True, first_day=1, last_day=7)
    assert found.day is not None
    assert found.latest is None
    assert any("not bounded" in reason for reason in found.reasons)


def test_a_line_that_does_not_lead_there_has_no_date() -> None:
    for target, rising in ((40.0, False), (10.0, False)):
        found = project(line(WEEKS, VALUES), target, rising=rising, first_day=0, last_day=7)
        assert (found.day, found.earliest, found.latest) == (None, None, None)
        assert found.reasons


def test_no_date_further_ahead_than_twice_the_observed_time() -> None:
    far = project(line(WEEKS, VALUES), 90, rising=True, first_day=0, last_day=7)
    assert far.day is None
    assert "twice" in far.reasons[0]


def test_no_date_in_the_past() -> None:
    passed = project(line(WEEKS, VALUES), 26, rising=True, first_day=0, last_day=7)
    assert passed.day is None
    assert "has passed" in passed.reasons[0]


def test_without_an_interval_of_the_slope_there_is_none_of_the_date() -> None:
    short = Line(Estimate(1.0), 2, 10)
    found = project(short, 13, rising=True, first_day=1, last_day=3)
    assert (found.day, found.earliest, found.latest) == (5, None, None)
