"""Is the verdict honest? Series that improve, worsen, drift, stand still, or say nothing."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.therapy.change.overlap import non_overlap
from service.therapy.change.reliability import Reliability
from service.therapy.change.series import Change, change_of
from service.therapy.change.trend import kendall, theil_sen
from service.therapy.change.verdict import Phases, Verdict, judge
from service.therapy.course.goals import Target
from service.therapy.course.readings import Series, Value
from service.therapy.measures import MEASURES, Measure, known_measures
from service.therapy.moments import Moment


def verdict(
    baseline: list[float],
    treatment: list[float],
    *,
    sign: int = 1,
    reliability: Reliability | None = None,
) -> Verdict:
    """The verdict on weekly values."""
    before = [7.0 * number for number in range(len(baseline))]
    after = [7.0 * (len(baseline) + number) for number in range(len(treatment))]
    phases = Phases(before, baseline, after, treatment, sign)
    a, b = phases.oriented()
    line, tau = theil_sen(after, treatment), kendall(after, treatment)
    return judge(phases, line, tau, non_overlap(a, b) if sign else None, reliability)


def series(baseline: list[float], treatment: list[float], measure: Measure | None = None) -> Series:
    """Weekly values from day 700 on."""
    found = Series(measure or known_measures()[MEASURES, "swallow-delay"], None, unit="s")
    for number, value in enumerate(baseline + treatment):
        placed = "baseline" if number < len(baseline) else "treatment"
        at = Moment(700 + 7 * number, None)
        name = f"Observation/{number}"
        found.values.append(Value(name, at, value, "s", placed, None, None, None, None, None))
    return found


def test_clear_gain_and_clear_loss() -> None:
    up = verdict([20, 21, 19, 20], [22, 24, 26, 27, 29, 31])
    assert up.word == "improving"
    assert verdict([20, 21, 19, 20], [19, 17, 15, 14, 12, 11]).word == "worsening"
    assert verdict([20, 21, 19, 20], [19, 17, 15, 14, 12, 11], sign=-1).word == "improving"


@pytest.mark.parametrize(
    ("baseline", "treatment"),
    [
        ([], []),
        ([5], []),
        ([], [5]),
        ([5, 6], [9, 10, 11]),
        ([5, 6, 5], [9, 10]),
        # even complete separation: two-sided exact p 0.1 and 0.057
        ([5, 6, 5], [9, 10, 11]),
        ([5, 6, 5], [9, 10, 11, 12]),
        ([], [1, 2, 3, 4]),
    ],
)
def test_too_few_data_is_an_answer(baseline: list[float], treatment: list[float]) -> None:
    found = verdict(baseline, treatment)
    assert found.word == "too few data"
    assert f"{len(baseline)} baseline and {len(treatment)} treatment" in " ".join(found.rule)


def test_a_trend_that_was_there_before_is_not_taken_for_an_effect() -> None:
    """Tarlow 2017: baseline 1 to 5, treatment 6 to 10: nothing is left without the trend."""
    found = verdict([1, 2, 3, 4, 5], [6, 7, 8, 9, 10])
    assert found.word == "no reliable change"
    assert any("trend" in sentence for sentence in found.rule)


def test_better_than_baseline_but_falling_is_no_improvement() -> None:
    found = verdict([10, 11, 10, 9], [30, 28, 26, 24, 22, 20, 18])
    assert found.word == "no reliable change"
    assert any("do not agree" in sentence for sentence in found.rule)


def test_a_slow_gain_from_the_level_of_the_baseline_is_seen() -> None:
    found = verdict([20, 22, 21], [20, 21, 22, 21, 22, 23, 23, 24, 25, 25, 26, 27])
    assert found.word == "improving"


def test_a_plateau_above_the_baseline_is_better_and_the_missing_trend_is_told() -> None:
    found = verdict([20, 21, 19, 20], [26, 27, 26, 25, 26, 27, 26])
    assert found.word == "improving"
    assert any("No trend within treatment" in sentence for sentence in found.rule)


def test_constant_series_do_not_change() -> None:
    assert verdict([5, 5, 5, 5], [5, 5, 5, 5, 5, 5]).word == "no reliable change"
    assert verdict([], [5, 5, 5, 5, 5, 5]).word == "no reliable change"


def test_without_a_baseline_the_trend_decides_and_says_so() -> None:
    found = verdict([], [10, 12, 13, 15, 16, 18])
    assert found.word == "improving"
    assert "cannot tell therapy from other causes" in found.rule[0]
    assert verdict([10], [18, 16, 15, 13, 12, 10]).word == "worsening"


def test_no_direction_no_verdict() -> None:
    assert verdict([1, 2, 3], [4, 5, 6, 7, 8], sign=0).word is None


def test_a_change_within_the_error_of_the_measure_is_not_reliable() -> None:
    small = Reliability(2.0, True, "invented")
    large = Reliability(20.0, True, "invented")
    baseline, treatment = [20.0, 21, 19, 20], [26.0, 27, 26, 25, 26, 27]
    assert verdict(baseline, treatment, reliability=small).word == "improving"
    assert verdict(baseline, treatment, reliability=large).word == "no reliable change"
    none = Reliability(None, False, "not reliable enough")
    assert verdict(baseline, treatment, reliability=none).word == "no reliable change"


def test_noise_is_rarely_called_a_change() -> None:
    """At most one in ten of 200 courses of pure noise; the rule has two ways to a change."""
    chance = random.Random(11)
    called = 0
    for _ in range(200):
        values = [chance.gauss(20, 2) for _ in range(20)]
        called += verdict(values[:5], values[5:]).word in ("improving", "worsening")
    assert called <= 20


@settings(max_examples=60)
@given(
    st.lists(st.floats(-100, 100), max_size=8),
    st.lists(st.floats(-100, 100), max_size=12),
)
def test_the_mirror_image_has_the_mirrored_verdict(
    baseline: list[float], treatment: list[float]
) -> None:
    mirror = {"improving": "worsening", "worsening": "improving"}
    one = verdict(baseline, treatment).word
    other = verdict(baseline, treatment, sign=-1).word
    assert one is not None
    assert other == mirror.get(one, one)


@settings(max_examples=60)
@given(
    st.lists(st.floats(allow_nan=False, min_value=-1e12, max_value=1e12), max_size=8),
    st.lists(st.floats(allow_nan=False, min_value=-1e12, max_value=1e12), max_size=12),
)
def test_no_series_raises(baseline: list[float], treatment: list[float]) -> None:
    found = change_of(series(baseline, treatment))
    assert found.verdict in ("improving", "worsening", "no reliable change", "too few data")
    assert found.rule


def test_numbers_of_a_change_and_reasons_for_the_missing_ones() -> None:
    """The phases of Parker, Vannest and Davis 2011 as a measure of which less is better."""
    a, b = [20.0, 20, 26, 25, 22, 23], [28.0, 25, 24, 27, 30, 30, 29]
    found: Change = change_of(series([-x for x in a], [-x for x in b]))
    assert found.overlap is not None
    assert found.overlap.nap.value == pytest.approx(38.5 / 42)
    assert found.latest is not None
    assert found.latest.number == -29
    assert found.band is not None
    assert found.minimal_detectable_change is None
    assert any("no reliability is published" in sentence for sentence in found.rule)
    assert any(sentence.startswith("No projection") for sentence in found.rule)


def test_a_goal_gives_a_measure_its_direction() -> None:
    weight = known_measures()["http://loinc.org", "29463-7"]
    assert change_of(series([68, 69, 68, 68], [67, 66, 65, 64, 63, 62], weight)).verdict is None
    aim = Target(weight, 67, None, "kg", None)
    found = change_of(series([68, 69, 68, 68], [67, 66, 65, 64, 63, 62], weight), aim)
    assert found.verdict == "worsening"
    assert found.target == 67
