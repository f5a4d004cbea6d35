"""Which technique works? Shares by session, halves, and changes within a session."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from service.therapy.course.doses import read_deliveries
from service.therapy.course.phases import PlanTimes, Span
from service.therapy.course.readings import Links, read_series
from service.therapy.course.responses import (
    immediate_effects,
    median_interval,
    read_responses,
    technique_responses,
)
from service.therapy.moments import Moment
from tests.factories.course import START, concept, delivered, measured, quantity, response

COLD = "faucial-cold-strokes"


def test_share_of_sessions_with_the_wanted_response() -> None:
    """8 of 10: Wilson 0.4902 to 0.9433."""
    days = [START + timedelta(days=n) for n in range(10)]
    given_ = read_deliveries([delivered("p1", n, COLD, day) for n, day in enumerate(days)])
    answers = ["none", "partial", *["wanted"] * 8]
    observed = [response("p1", n, COLD, days[n], answers[n]) for n in range(10)]
    (found,) = technique_responses(read_responses(observed, given_), given_)
    assert (found.sessions, found.wanted) == (10, 8)
    assert found.share == pytest.approx((0.8, 0.4902, 0.9433), abs=5e-5)
    assert (found.early, found.late) == (0.6, 1.0)
    assert not found.is_few


def test_trials_are_pooled_and_contradictions_left_out() -> None:
    given_ = read_deliveries([delivered("p1", n, COLD, START) for n in range(2)])

    def counted(number: int, trials: int, wanted: int) -> dict[str, Any]:
        found = response("p1", number, COLD, START + timedelta(days=number), "partial")
        codes = (("trials", trials), ("wanted-trials", wanted))
        found["component"] = [
            {"code": concept("measure", code), "valueQuantity": quantity(count, "{count}")}
            for code, count in codes
        ]
        return found

    observed = [counted(0, 20, 16), counted(1, 5, 9)]
    (found,) = technique_responses(read_responses(observed, given_), given_)
    assert (found.trials, found.wanted_trials) == (20, 16)
    assert found.trial_share == pytest.approx((0.8, 0.5840, 0.9193), abs=5e-5)
    assert found.is_few


def test_the_outcome_of_a_procedure_stands_in_where_nothing_was_observed() -> None:
    given_ = read_deliveries(
        [
            delivered("p1", 1, COLD, START, outcome=concept("response", "wanted")),
            delivered("p1", 2, COLD, START + timedelta(days=1)),
            delivered("p1", 3, COLD, START, reason="illness", outcome=concept("response", "none")),
        ]
    )
    (found,) = technique_responses(read_responses([], given_), given_)
    assert (found.sessions, found.wanted) == (1, 1)


def test_of_several_answers_in_one_session_the_last_counts() -> None:
    visit = {"encounter": {"reference": "Encounter/e1"}}
    given_ = read_deliveries([delivered("p1", n, COLD, START, **visit) for n in (1, 2)])
    observed = [
        response("p1", 1, COLD, START, "none") | {"effectiveDateTime": "2026-03-02T10:00:00Z"},
        response("p1", 2, COLD, START, "wanted") | {"effectiveDateTime": "2026-03-02T10:20:00Z"},
    ]
    (found,) = technique_responses(read_responses(observed, given_), given_)
    assert (found.sessions, found.wanted) == (1, 1)


def test_responses_to_what_is_not_of_this_plan_do_not_count() -> None:
    assert read_responses([response("p1", 1, COLD, START, "wanted")], []) == []


def test_immediate_effect_of_the_techniques_between_two_values() -> None:
    observed, procedures = [], []
    for number in range(6):
        visit = {"encounter": {"reference": f"Encounter/e{number}"}}
        day = (START + timedelta(days=number)).isoformat()
        procedure = delivered("p1", number, COLD, START, **visit)
        del procedure["performedDateTime"]
        procedure["performedPeriod"] = {"start": f"{day}T10:05:00Z", "end": f"{day}T10:15:00Z"}
        procedures.append(procedure)
        observed += [
            measured("p1", number, f"{day}T10:00:00Z", 4.0 + number / 10, **visit),
            measured(
                "p1", number, f"{day}T10:20:00Z", 3.0, code="swallow-delay-after-stimulus", **visit
            ),
        ]
    series = read_series(
        ((resource, None) for resource in observed),
        Links("CarePlan/p1", frozenset(), frozenset()),
        PlanTimes(Span(Moment(START.toordinal(), None)), None),
        lambda number, unit, wanted: None,
    )
    (found,) = immediate_effects(series, read_deliveries(procedures))
    assert [technique["code"] for technique in found.techniques] == [COLD]
    assert (found.pairs, found.better) == (6, 6)
    assert found.change == pytest.approx((-1.25, -1.5, -1.0))


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=60))
def test_the_interval_of_a_median_has_the_coverage_of_its_ranks(values: list[float]) -> None:
    found = median_interval(values)
    if found.low is None or found.high is None:
        assert len(values) < 6
        return
    ordered = sorted(values)
    assert found.low <= found.value <= found.high
    rank = ordered.index(found.low) + 1
    assert 1 - 2 * binom.cdf(rank - 1, len(values), 0.5) >= 0.95 or found.low == found.high
