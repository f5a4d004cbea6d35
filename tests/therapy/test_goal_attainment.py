"""The T score against worked examples, and what may not change it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.goal_attainment import attainment, t_score

SCORES = st.lists(st.integers(-2, 2), min_size=1, max_size=10)
WEIGHTS = st.floats(0.01, 100)


@pytest.mark.parametrize(
    ("goals", "factor"),
    [(1, 10.0), (2, 6.2017), (3, 4.5644), (5, 3.0151), (8, 2.0080), (10, 1.6440)],
)
def test_equal_weights(goals: int, factor: float) -> None:
    """k_n = 10 / sqrt(n(0.7 + 0.3n)), Turner-Stokes 2009 with its erratum."""
    assert t_score([1] * goals) == pytest.approx(50 + factor * goals, abs=5e-4)
    assert t_score([-2] * goals) == pytest.approx(50 - 2 * factor * goals, abs=1e-3)


def test_two_goals_of_equal_weight() -> None:
    """An open implementation of the formula prints 56.20 for weights 6 and 6, scores 1 and 0."""
    assert t_score([1, 0], [6, 6]) == pytest.approx(56.2017, abs=5e-5)


def test_weighted_baseline_achieved_and_change() -> None:
    """Worked by hand from the erratum's formula: weights 6, 2, 4."""
    found = attainment([(-1, 0, 6), (-1, 1, 2), (-2, -1, 4)])
    assert found.baseline == pytest.approx(32.3739, abs=5e-5)
    assert found.achieved == pytest.approx(47.7967, abs=5e-5)
    assert found.change == pytest.approx(15.4228, abs=5e-5)


def test_rho_changes_the_score() -> None:
    assert t_score([0, 0, 1], rho=0) == pytest.approx(55.7735, abs=5e-5)
    assert t_score([0, 0, 1], rho=0.5) == pytest.approx(54.0825, abs=5e-5)


def test_a_goal_without_both_scores_is_left_out_of_both() -> None:
    found = attainment([(-1, 0, 1), (-1, None, 1), (None, 2, 1)])
    assert found.goals == 1
    assert found.baseline == t_score([-1])
    assert found.achieved == t_score([0])
    assert "2 of 3" in found.reasons[0]


def test_no_goals_or_no_weights_is_an_answer() -> None:
    assert attainment([]).achieved is None
    weightless = attainment([(-1, 0, 0)])
    assert weightless.achieved is None
    assert weightless.change is None
    assert "weights are zero" in weightless.reasons[0]
    assert t_score([]) is None


def test_what_is_no_score_is_refused() -> None:
    for scores, weights in (([3], None), ([0], [-1.0]), ([0], [1.0, 1.0])):
        with pytest.raises(ValueError, match=r"scores|weight"):
            t_score(scores, weights)


@given(st.lists(st.tuples(st.integers(-2, 2), WEIGHTS), min_size=1, max_size=10), WEIGHTS)
def test_the_scale_of_weights_and_the_order_of_goals_change_nothing(
    goals: list[tuple[int, float]], factor: float
) -> None:
    scores, weights = [s for s, _ in goals], [w for _, w in goals]
    found = t_score(scores, weights)
    assert t_score(scores, [w * factor for w in weights]) == pytest.approx(found)
    assert t_score(scores[::-1], weights[::-1]) == pytest.approx(found)
    assert found is not None
    assert 17 < found < 83


@given(SCORES, st.data())
def test_a_better_goal_never_lowers_the_score(scores: list[int], data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(scores) - 1))
    better = list(scores)
    better[place] = min(2, better[place] + 1)
    before, after = t_score(scores), t_score(better)
    assert before is not None
    assert after is not None
    assert after >= before
