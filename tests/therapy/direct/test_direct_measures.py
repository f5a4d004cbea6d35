"""Worked examples of the direct measures, each from the paper or table named beside it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.direct.asymmetry import asymmetry
from service.therapy.direct.flow_test import flow_level
from service.therapy.direct.motion_rates import irregularity, motion_rate
from service.therapy.direct.saturation import saturation_change
from service.therapy.direct.strength import best_press, endurance
from service.therapy.direct.swallow_delay import delay, stimulus_effect
from service.therapy.direct.water_swallow import water_swallow

SIDES = st.floats(0, 1e6).filter(lambda x: x == 0 or x > 1e-3)


def near(value: float | None, wanted: float) -> bool:
    return value is not None and math.isclose(value, wanted, abs_tol=5e-5)


def test_asymmetry_of_the_published_table() -> None:
    """Int J Phys Med Rehabil 2014, 2:201, table 1: sound 0.39, affected 0.25 m."""
    found = asymmetry(0.25, 0.39)
    assert found is not None
    assert near(found.symmetry_index, 43.75)
    assert near(100 - found.ratio, 35.8974)


@given(SIDES, SIDES)
def test_swapped_sides_turn_the_sign_and_keep_the_ratio(left: float, right: float) -> None:
    one, other = asymmetry(left, right), asymmetry(right, left)
    if one is None or other is None:
        assert left == right == 0
        return
    assert one.symmetry_index == pytest.approx(-other.symmetry_index)
    assert one.ratio == other.ratio
    assert -200 <= one.symmetry_index <= 200
    assert 0 <= one.ratio <= 100


def test_a_side_below_zero_is_no_measurement() -> None:
    with pytest.raises(ValueError, match="zero or more"):
        asymmetry(-1, 2)


@pytest.mark.parametrize(
    ("remaining", "level"),
    [(0, 0), (0.5, 0), (1, 1), (3.9, 1), (4, 1), (4.1, 2), (8, 2), (8.1, 3), (9, 3), (10, 4)],
)
def test_flow_test_levels(remaining: float, level: int) -> None:
    """Summary of the published flow test chart; the touching ends as decided in flow_test.py."""
    assert flow_level(remaining) == level


@pytest.mark.parametrize("remaining", [-0.1, 10.1, math.nan])
def test_flow_test_refuses_what_no_syringe_shows(remaining: float) -> None:
    with pytest.raises(ValueError, match="0 to 10"):
        flow_level(remaining)


@given(st.floats(0, 10), st.floats(0, 10))
def test_more_left_is_never_thinner(a: float, b: float) -> None:
    if a <= b:
        assert flow_level(a) <= flow_level(b)


def test_motion_rates() -> None:
    """Counted by hand: 31 syllables in 6.2 s; nine three-syllable sequences in 5 s."""
    assert motion_rate(31, 6.2) == pytest.approx(5.0)
    assert motion_rate(9, 5, syllables=3) == pytest.approx(5.4)
    with pytest.raises(ValueError, match="above zero"):
        motion_rate(3, 0)


def test_a_steady_beat_has_no_irregularity() -> None:
    assert irregularity([0, 0.2, 0.4, 0.6]) == pytest.approx(0, abs=1e-9)
    # Intervals 1 and 3: mean 2, standard deviation sqrt(2).
    assert irregularity([0, 1, 4]) == pytest.approx(100 * math.sqrt(2) / 2)
    assert irregularity([0, 1]) is None


def test_water_swallow_indices() -> None:
    """Formulas of Hughes and Wiles 1996: 150 mL, 9 s, 8 swallows."""
    found = water_swallow(150, 9.0, 8)
    assert near(found.volume_per_swallow, 18.75)
    assert near(found.time_per_swallow, 1.125)
    assert near(found.capacity, 16.6667)
    stopped = water_swallow(150, 10, 5, residual=50)
    assert stopped.capacity == pytest.approx(10)


@given(st.floats(1, 500), st.floats(0.1, 300), st.integers(1, 60), st.floats(0, 0.99))
def test_capacity_is_volume_by_time_of_a_swallow(
    volume: float, seconds: float, swallows: int, left: float
) -> None:
    """The identity in Hughes and Wiles 1996."""
    found = water_swallow(volume, seconds, swallows, volume * left)
    assert found.capacity == pytest.approx(found.volume_per_swallow / found.time_per_swallow)


@pytest.mark.parametrize("drink", [(0, 9, 8, 0), (150, 0, 8, 0), (150, 9, 0, 0), (150, 9, 8, 150)])
def test_what_is_no_drink_is_refused(drink: tuple[float, float, int, float]) -> None:
    with pytest.raises(ValueError, match="drink"):
        water_swallow(*drink)


def test_swallow_delay_over_trials() -> None:
    found = delay([2.0, 3.0, None, 4.0])
    assert found is not None
    assert (found.trials, found.mean, found.median, found.spread) == (3, 3.0, 3.0, 1.0)
    assert delay([None]) is None
    single = delay([-0.2])
    assert single is not None
    assert single.spread is None
    assert stimulus_effect([3.0, 4.0, 5.0], [2.0, 2.5]) == pytest.approx(-1.75)
    assert stimulus_effect([3.0], []) is None


def test_pressure_is_the_best_press() -> None:
    assert best_press([21.0, 25.0, 23.0]) == 25.0
    assert best_press([]) is None
    with pytest.raises(ValueError, match="above zero"):
        best_press([0.0])


def test_endurance_ends_when_the_pressure_first_falls_below_half() -> None:
    samples = [(0.0, 30.0), (1.0, 26.0), (2.0, 20.0), (3.0, 15.0), (4.0, 14.9), (5.0, 29.0)]
    assert endurance(samples, 30) == 3.0
    assert endurance([(0.0, 10.0)], 30) is None


def test_saturation_change_of_a_session() -> None:
    found = saturation_change([97, 95, 92, 95])
    assert found is not None
    assert (found.change, found.fall, found.is_marked) == (-2, 5, True)
    mild = saturation_change([97, 95])
    assert mild is not None
    assert not mild.is_marked
    assert saturation_change([97]) is None
    with pytest.raises(ValueError, match="between 0 and 100"):
        saturation_change([97, 101])
