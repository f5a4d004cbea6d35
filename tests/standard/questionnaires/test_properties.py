"""What must hold for whatever answers: totals, ranges, and that the order of items is nothing."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Invalid
from service.standard.questionnaires import extract
from tests.standard.questionnaires.respond import (
    computed,
    form,
    guss,
    mdadi,
    numbered,
    respond,
    scores,
)

FEW = settings(max_examples=30, deadline=None)


@FEW
@given(st.lists(st.integers(0, 4), min_size=10, max_size=10))
def test_totals_are_the_sums_of_the_weights(weights: list[int]) -> None:
    assert computed("eating-assessment-10", numbered(weights)) == {"eat-10-total": sum(weights)}
    assert computed("voice-handicap-10", numbered(weights)) == {"vhi-10-total": sum(weights)}


@FEW
@given(st.lists(st.integers(1, 8), min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_the_order_of_items_is_nothing(weights: list[int], shuffle: random.Random) -> None:
    questionnaire = form("swallowing-quality-of-life")
    answers = {f"symptoms-{n}": f"scale-{1 + w % 5}" for n, w in enumerate(weights, 1)}
    answers |= {"burden-1": "scale-2", "burden-2": "scale-4"}
    response = respond(questionnaire, answers)
    before = scores(extract(response, questionnaire))
    for items in (response["item"], *(group["item"] for group in response["item"])):
        shuffle.shuffle(items)
    assert scores(extract(response, questionnaire)) == before


@FEW
@given(st.lists(st.one_of(st.none(), st.integers(1, 5)), min_size=14, max_size=14))
def test_quality_of_life_lies_in_its_range_and_keeps_the_half_rule(weights: list[Any]) -> None:
    answered = [weight for weight in weights if weight is not None]
    answers = {f"symptoms-{n}": f"scale-{weight}" for n, weight in enumerate(weights, 1) if weight}
    try:
        made = computed("swallowing-quality-of-life", answers)
    except Invalid:
        made = {}
    if len(answered) * 2 < 14:
        assert made == {}
    else:
        expected = 100 * (sum(answered) / len(answered) - 1) / 4
        assert abs(made["swal-qol-symptoms"] - expected) <= 0.00005
        assert 0 <= made["swal-qol-symptoms"] <= 100


@FEW
@given(st.lists(st.integers(1, 5), min_size=8, max_size=8))
def test_a_part_of_the_inventory_is_twenty_times_the_mean(weights: list[int]) -> None:
    answers = mdadi({f"p{n}": weight for n, weight in enumerate(weights, 1)})
    made = computed("dysphagia-inventory", answers)
    assert made["mdadi-physical"] == 20 * sum(weights) / 8
    assert made["mdadi-physical"] >= 20


@FEW
@given(st.lists(st.integers(0, 5), min_size=4, max_size=4))
def test_gugging_screen_stops_at_the_first_part_below_five(parts: list[int]) -> None:
    done = next((n + 1 for n, total in enumerate(parts) if total < 5), 4)
    total = computed("gugging-swallowing-screen", guss(*parts[:done]))
    assert total == {"gugging-swallowing-screen-total": sum(parts[:done])}
    bands = {1: range(10), 2: range(10), 3: range(10, 15), 4: range(15, 21)}
    assert sum(parts[:done]) in bands[done]
    if any(parts[done:]):
        with pytest.raises(Invalid, match="guss-1"):
            computed("gugging-swallowing-screen", guss(*parts))


@FEW
@given(st.lists(st.integers(1, 8), min_size=1, max_size=30))
def test_penetration_aspiration_table(given_scores: list[int]) -> None:
    questionnaire = form("penetration-aspiration-scale")
    found = extract(respond(questionnaire, {"swallow": list(given_scores)}), questionnaire)
    made = scores(found)
    assert made["penetration-aspiration-worst"] == max(given_scores)
    share = 100 * sum(score >= 3 for score in given_scores) / len(given_scores)
    assert abs(made["penetration-aspiration-share"] - share) <= 0.00005
    assert found.count == len(given_scores) + 3
