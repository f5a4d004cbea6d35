"""Kappa against the textbook table, its paradox, and its properties."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.direct.agreement import agreement, agreement_of

RATINGS = st.lists(st.tuples(st.integers(1, 8), st.integers(1, 8)), min_size=1, max_size=60)


def test_the_classic_table() -> None:
    """Two raters, 50 cases: kappa 0.40, standard error 0.1270 (statsmodels gives the same)."""
    found = agreement_of([[20, 5], [10, 15]])
    assert found is not None
    assert found.share == pytest.approx(0.70)
    assert found.kappa == pytest.approx(0.4)
    assert found.low == pytest.approx(0.1511, abs=5e-5)
    assert found.high == pytest.approx(0.6489, abs=5e-5)


def test_five_ratings_in_words() -> None:
    """Example of scikit-learn's cohen_kappa_score: 0.6875."""
    first = ["negative", "positive", "negative", "neutral", "positive"]
    second = ["negative", "positive", "negative", "neutral", "negative"]
    found = agreement(first, second)
    assert found is not None
    assert found.kappa == pytest.approx(0.6875)


def test_kappa_can_be_below_zero_where_raters_agree_almost_always() -> None:
    found = agreement_of([[118, 5], [2, 0]])
    assert found is not None
    assert found.share == pytest.approx(0.9440, abs=5e-5)
    assert found.kappa == pytest.approx(-0.0234, abs=5e-5)


def test_kappa_is_undefined_where_chance_agrees_always() -> None:
    found = agreement([1, 1, 1], [1, 1, 1])
    assert found is not None
    assert found.share == 1
    assert found.kappa is None


def test_quadratic_weights_on_an_ordered_scale() -> None:
    """Cohen 1968: a near miss counts less than a far one."""
    near = agreement([1, 2, 3, 4], [2, 2, 3, 4], scale=[1, 2, 3, 4], weights="quadratic")
    far = agreement([1, 2, 3, 4], [4, 2, 3, 4], scale=[1, 2, 3, 4], weights="quadratic")
    assert near is not None
    assert far is not None
    assert near.kappa is not None
    assert far.kappa is not None
    assert near.kappa > far.kappa


def test_lists_that_do_not_fit_are_refused() -> None:
    assert agreement([], []) is None
    with pytest.raises(ValueError, match="same things"):
        agreement([1], [1, 2])
    with pytest.raises(ValueError, match="order"):
        agreement([1], [1], weights="linear")
    with pytest.raises(ValueError, match="scale"):
        agreement([9], [1], scale=[1, 2])


@given(RATINGS, st.randoms())
def test_kappa_does_not_depend_on_order_or_on_who_is_first(
    pairs: list[tuple[int, int]], chance: object
) -> None:
    shuffled = list(pairs)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    found = agreement([a for a, _ in pairs], [b for _, b in pairs])
    mixed = agreement([a for a, _ in shuffled], [b for _, b in shuffled])
    swapped = agreement([b for _, b in pairs], [a for a, _ in pairs])
    assert found is not None
    assert mixed is not None
    assert swapped is not None
    if found.kappa is None:
        assert mixed.kappa is None
        return
    assert mixed.kappa == pytest.approx(found.kappa)
    assert swapped.kappa == pytest.approx(found.kappa)
    assert found.kappa <= 1 + 1e-12
