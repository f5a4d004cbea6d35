"""Theil-Sen and Kendall against Sen's own example and SciPy; long series against all pairs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, theilslopes

from service.therapy.change import trend
from service.therapy.change.slopes import Slopes
from service.therapy.change.trend import kendall, theil_sen

POINTS = st.lists(
    st.tuples(st.integers(0, 40), st.integers(-30, 30)), min_size=2, max_size=40
).filter(lambda points: len({t for t, _ in points}) > 1)


def test_sens_own_example() -> None:
    """Sen 1968, as quoted in SciPy's tests: slope 4; the discrete 95 % interval is 3.7143 to
    4.3750, as at 93 %."""
    found = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78])
    assert found is not None
    assert found.slope.value == pytest.approx(4)
    assert found.slope.low == pytest.approx(3.7143, abs=5e-5)
    assert found.slope.high == pytest.approx(4.3750, abs=5e-5)
    assert found.per_week.value == pytest.approx(28)
    assert (found.middle_day, found.middle_value) == (4, 20)


def test_too_little_for_a_line_or_an_interval() -> None:
    assert theil_sen([], []) is None
    assert theil_sen([3, 3, 3], [1, 2, 9]) is None
    short = theil_sen([1, 2, 3], [1, 2, 3])
    assert short is not None
    assert short.slope == (1.0, None, None)
    flat = theil_sen([1, 2, 3, 4, 5], [7, 7, 7, 7, 7])
    assert flat is not None
    assert flat.slope == (0, 0, 0)


def test_kendall_of_series_that_do_not_vary_is_none() -> None:
    assert kendall([1, 2, 3], [5, 5, 5]) is None
    assert kendall([2, 2], [1, 3]) is None
    found = kendall([12, 2, 1, 12, 2], [1, 4, 7, 1, 0])
    assert found is not None
    assert found.tau == pytest.approx(-0.4714, abs=5e-5)  # example in SciPy's documentation
    assert found.p == pytest.approx(0.2827, abs=5e-5)


@given(POINTS, st.randoms())
def test_order_of_the_points_does_not_matter(points: list[tuple[int, int]], chance: object) -> None:
    shuffled = list(points)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    found = theil_sen([t for t, _ in points], [y for _, y in points])
    mixed = theil_sen([t for t, _ in shuffled], [y for _, y in shuffled])
    assert found is not None
    assert mixed is not None
    assert mixed.slope.value == pytest.approx(found.slope.value)


@given(POINTS)
def test_the_way_of_long_series_gives_what_scipy_gives(points: list[tuple[int, int]]) -> None:
    t = np.array([t for t, _ in points], float)
    y = np.array([y for _, y in points], float)
    with np.errstate(invalid="ignore"):
        expected = theilslopes(y, t, 0.95)
    slope, low, high = trend._long(t, y)
    assert slope == pytest.approx(expected.slope, abs=1e-9)
    if np.isnan(expected.low_slope):  # SciPy's variance rounded to below zero
        return
    assert low == pytest.approx(expected.low_slope, abs=1e-9)
    assert high == pytest.approx(expected.high_slope, abs=1e-9)


@pytest.mark.parametrize("kind", ["noise", "ties", "steps", "two days", "outliers"])
def test_long_series_of_every_kind(kind: str) -> None:
    """1,200 values: all pairs at once, as SciPy takes them, against the sampled way."""
    chance = np.random.default_rng(3)
    t = np.sort(chance.integers(0, 900, 1200)).astype(float)
    y = {
        "noise": np.round(20 + 0.01 * t + chance.normal(0, 2, 1200), 1),
        "ties": chance.integers(0, 2, 1200).astype(float),
        "steps": np.floor(t / 300),
        "two days": chance.normal(0, 1, 1200),
        "outliers": np.where(chance.random(1200) < 0.01, 1e9, chance.normal(0, 1, 1200)),
    }[kind]
    if kind == "two days":
        t = np.where(t < 450, 1.0, 2.0)
    expected = theilslopes(y, t, 0.95)
    found = trend._long(t, y)
    wanted = (expected.slope, expected.low_slope, expected.high_slope)
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12)


def test_every_rank_of_the_slopes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.therapy.change.slopes._FEW", 3)
    monkeypatch.setattr("service.therapy.change.slopes._SAMPLE", 30)
    chance = np.random.default_rng(5)
    t = chance.integers(0, 20, 40).astype(float)
    y = np.round(chance.normal(0, 3, 40), 0)
    apart = t[None, :] - t[:, None]
    every = np.sort(((y[None, :] - y[:, None]) / np.where(apart > 0, apart, 1))[apart > 0])
    slopes = Slopes(t, y)
    assert slopes.count == len(every)
    assert [slopes.at(rank) for rank in range(len(every))] == pytest.approx(list(every))
    with pytest.raises(IndexError):
        slopes.at(len(every))


def test_a_series_rising_by_one_a_day_has_tau_one() -> None:
    days = list(range(12))
    found = kendall(days, days)
    assert found is not None
    assert found.tau == pytest.approx(1)
    assert found.p == pytest.approx(kendalltau(days, days).pvalue)
