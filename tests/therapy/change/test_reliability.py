"""Reliable change, error of measurement and the band, by their published examples."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.change.reliability import (
    error_of_measurement,
    minimal_detectable_change,
    published,
    reliable_change,
    runs_beyond,
    two_sd_band,
)


def test_reliable_change_of_jacobson_and_truax() -> None:
    """Jacobson and Truax 1991: 32.5 and 47.5 with SD 7.5 and r 0.80 give 3.16."""
    error = error_of_measurement(7.5, 0.80)
    assert error == pytest.approx(3.3541, abs=5e-5)
    index = reliable_change(32.5, 47.5, error)
    assert index == pytest.approx(3.1623, abs=5e-5)
    assert reliable_change(47.5, 32.5, error) == pytest.approx(-3.1623, abs=5e-5)


def test_error_of_measurement_and_minimal_detectable_change() -> None:
    """Weir 2005: SD 10 and ICC 0.91 give SEM 3 and MDC95 8.3154."""
    error = error_of_measurement(10, 0.91)
    assert error == pytest.approx(3.0)
    assert minimal_detectable_change(error) == pytest.approx(8.3154, abs=5e-5)
    assert minimal_detectable_change(error, 1.645) == pytest.approx(6.9791, abs=5e-5)


def test_perfect_reliability_has_no_index_and_none_is_refused() -> None:
    assert reliable_change(1, 2, error_of_measurement(5, 1)) is None
    for retest in (0, -0.2, 1.1):
        with pytest.raises(ValueError, match="reliability"):
            error_of_measurement(5, retest)


def test_published_error_of_tongue_pressure() -> None:
    """Adams 2014: 10.8 % of the value at the front of the tongue, 11.8 % at the back."""
    front = published("tongue-pressure", None, 20)
    assert front is not None
    assert front.minimal_detectable_change == pytest.approx(0.299361 * 20, abs=1e-3)
    back = published("tongue-pressure", "tongue-base", 20)
    assert back is not None
    assert back.minimal_detectable_change == pytest.approx(0.327079 * 20, abs=1e-3)
    assert published("tongue-pressure", "lips", 20) is None
    assert published("swallow-delay", None, 3) is None


def test_no_claim_of_change_on_endurance() -> None:
    found = published("tongue-endurance", None, 15)
    assert found is not None
    assert not found.change_claims
    assert found.minimal_detectable_change is None


def test_band_of_the_published_example() -> None:
    """Parker, Vannest and Davis 2011, baseline of the NAP example: 17.6600 to 27.6733."""
    band = two_sd_band([20, 20, 26, 25, 22, 23])
    assert band is not None
    assert band == pytest.approx((22.6667, 17.6600, 27.6733), abs=5e-5)
    assert runs_beyond([28, 25, 24, 27, 30, 30, 29], 27.6733, above=True) == 3


def test_no_band_of_few_or_unvarying_values() -> None:
    assert two_sd_band([1, 2]) is None
    assert two_sd_band([4, 4, 4, 4]) is None


@given(st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=30))
def test_the_band_is_centred_and_needs_no_order(values: list[float]) -> None:
    band = two_sd_band(values)
    if band is None:
        return
    assert band.low is not None
    assert band.high is not None
    assert band.low < band.value < band.high
    assert band.value == pytest.approx(statistics.fmean(values))
    assert two_sd_band(values[::-1]) == pytest.approx(band)
