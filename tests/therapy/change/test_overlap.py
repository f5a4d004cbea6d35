"""NAP and Tau-U against the examples of their papers, and SciPy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, mannwhitneyu

from service.therapy.change.overlap import (
    attainable_p,
    kendall_s,
    non_overlap,
    tau_u,
)

# Parker, Vannest and Davis 2011, Behav Modif 35:303-322, as asserted in the unit tests of the
# R package SingleCaseES (test-parker-vannest-davis-2011.R)
A = [20, 20, 26, 25, 22, 23]
B = [28, 25, 24, 27, 30, 30, 29]

SERIES = st.lists(st.integers(-20, 20).map(float), min_size=1, max_size=25)


def test_nap_of_the_published_example_with_its_interval() -> None:
    found = non_overlap(A, B)
    assert found is not None
    assert found.nap.value == pytest.approx(38.5 / 42)
    assert found.nap.low == pytest.approx(0.5973, abs=5e-5)
    assert found.nap.high == pytest.approx(0.9860, abs=5e-5)


def test_nap_where_less_is_better_is_that_of_the_negated_values() -> None:
    """The same example with the other direction: 0.0833; and A=(12,14,9,10): 22.5/24."""
    down = non_overlap([-a for a in A], [-b for b in B])
    assert down is not None
    assert down.nap.value == pytest.approx(0.0833, abs=5e-5)
    found = non_overlap([-12, -14, -9, -10], [-10, -6, -4, -5, -3, -4])
    assert found is not None
    assert found.nap.value == pytest.approx(0.9375)


def test_tau_u_takes_off_the_trend_of_the_baseline() -> None:
    """SingleCaseES, test of Tau-U: 11/20; Tarlow 2017: 0.6 where baseline and all rise alike."""
    assert tau_u([3, 3, 4, 5], [4, 5, 6, 7, 7]) == pytest.approx(11 / 20)
    assert tau_u([1, 2, 3, 4, 5], [6, 7, 8, 9, 10]) == pytest.approx(0.6)
    plain = non_overlap([3, 3, 4, 5], [4, 5, 6, 7, 7])
    assert plain is not None
    assert plain.tau == pytest.approx(16 / 20)


def test_values_of_one_time_make_no_trend_of_the_baseline() -> None:
    assert tau_u([1, 2], [3], times=["mon", "mon"]) == 1.0
    assert tau_u([1, 2], [3], times=["mon", "tue"]) == 0.5


def test_phases_too_short_for_an_interval_and_empty_ones() -> None:
    single = non_overlap([1.0], [2.0, 3.0])
    assert single is not None
    assert single.nap == (1.0, None, None)
    assert non_overlap([], [1.0]) is None
    assert tau_u([1.0], []) is None


def test_constant_phases_are_at_chance() -> None:
    found = non_overlap([5.0] * 4, [5.0] * 6)
    assert found is not None
    assert found.nap.value == 0.5
    assert found.nap.low is not None
    assert found.nap.high is not None
    assert found.nap.low < 0.5 < found.nap.high


def test_attainable_p() -> None:
    """Exact Mann-Whitney: complete separation of 3 and 5 values has two-sided p 2/56."""
    exact = mannwhitneyu([1, 2, 3], [4, 5, 6, 7, 8], method="exact").pvalue
    assert attainable_p(3, 5) == pytest.approx(exact)
    assert attainable_p(0, 5) == 1


@given(SERIES, SERIES)
def test_nap_is_mann_whitney_by_pairs(a: list[float], b: list[float]) -> None:
    found = non_overlap(a, b)
    assert found is not None
    u = mannwhitneyu(b, a).statistic
    assert found.nap.value == pytest.approx(u / (len(a) * len(b)))


@given(SERIES, SERIES, st.randoms())
def test_order_within_phases_does_not_matter_and_phases_mirror(
    a: list[float], b: list[float], chance: object
) -> None:
    shuffled = list(a)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    found, mixed, swapped = non_overlap(a, b), non_overlap(shuffled, b), non_overlap(b, a)
    assert found is not None
    assert swapped is not None
    assert mixed == found
    assert swapped.nap.value == pytest.approx(1 - found.nap.value)
    if found.nap.low is not None and found.nap.high is not None:
        assert 0 <= found.nap.low <= found.nap.value + 1e-9
        assert found.nap.value - 1e-9 <= found.nap.high <= 1
        assert swapped.nap.low == pytest.approx(1 - found.nap.high, abs=1e-6)


@given(SERIES, SERIES, st.floats(0, 50))
def test_higher_treatment_values_never_lower_nap(
    a: list[float], b: list[float], more: float
) -> None:
    found, raised = non_overlap(a, b), non_overlap(a, [value + more for value in b])
    assert found is not None
    assert raised is not None
    assert raised.nap.value >= found.nap.value


@given(st.lists(st.integers(0, 9), min_size=2, max_size=40))
def test_kendall_s_counts_rising_less_falling_pairs(values: list[int]) -> None:
    pairs = [
        math.copysign(1, later - earlier) if later != earlier else 0
        for place, earlier in enumerate(values)
        for later in values[place + 1 :]
    ]
    assert kendall_s(values) == sum(pairs)


def test_kendall_example_with_ties_in_both() -> None:
    """Kendall 1970, p. 35: S = 33, tau-b 0.8590 (0.859 in the book)."""
    x = [1, 2.5, 2.5, 4.5, 4.5, 6.5, 6.5, 8, 9.5, 9.5]
    y = [1, 2, 4.5, 4.5, 4.5, 4.5, 8, 8, 8, 10]
    assert kendall_s(y, x) == 33
    assert kendalltau(x, y).statistic == pytest.approx(0.8590, abs=5e-5)
