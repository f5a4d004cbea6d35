"""Missing answers: the instrument's published rule, or a refusal that names them."""

from __future__ import annotations

from typing import Any

import pytest

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


def refused(name: str, answers: dict[str, Any]) -> Invalid:
    with pytest.raises(Invalid) as refusal:
        computed(name, answers)
    assert refusal.value.status == 422
    return refusal.value


def test_a_missing_item_refuses_the_sum_and_is_named() -> None:
    answers = numbered([0, 0, 0, 0, 0, 0, 0, 0, 1, 0])
    del answers["item-4"]
    issues = refused("eating-assessment-10", answers).issues
    named = {issue.expression for issue in issues}
    assert named == {"QuestionnaireResponse.item[0].item.where(linkId = 'item-4')"}
    assert {issue.severity for issue in issues} == {"error"}


@pytest.mark.parametrize(
    ("weights", "told"),
    [
        ([1], "lies between 1 and 5."),
        ([3], "lies between 3 and 7: At or above the published limit of 3"),
    ],
)
def test_the_refusal_tells_what_is_certain_all_the_same(weights: list[int], told: str) -> None:
    """Bound logic: s answered and m missing items of 0 to 4 give a total from s to s + 4m."""
    answers = numbered(weights + [0] * 8)
    assert len(answers) == 9
    assert told in str(refused("eating-assessment-10", answers))


def test_no_answers_at_all_name_every_item() -> None:
    issues = refused("voice-handicap-10", {}).issues
    named = {issue.text for issue in issues if issue.code == "required"}
    assert named == {f"item-{n} has no answer" for n in range(1, 11)}


def test_half_of_a_scale_is_enough_and_less_is_not() -> None:
    """The half rule of the quality-of-life scales, from memory."""
    two_of_four = {"fear-1": "scale-2", "fear-4": "scale-3"}
    one_of_three = {"fatigue-2": "scale-5"}
    answers = two_of_four | one_of_three
    questionnaire = form("swallowing-quality-of-life")
    found = extract(respond(questionnaire, answers), questionnaire)
    assert scores(found) == {"swal-qol-fear": 37.5}
    fatigue = [i for i in found.issues if i.text.startswith("fatigue-score")]
    assert len(fatigue) == 1
    assert "fatigue-1, fatigue-3" in fatigue[0].text
    assert fatigue[0].severity == "warning"


def test_a_part_without_an_item_is_left_out_and_the_others_are_made() -> None:
    """No published rule for missing items of the inventory is known, so none is filled in."""
    emotional = dict.fromkeys((f"e{n}" for n in range(2, 8)), 3)
    made = computed("dysphagia-inventory", mdadi(emotional | {"f1": 3}))
    assert made == {"mdadi-emotional": 60}


def test_a_part_of_the_screen_that_was_to_be_asked_is_missed() -> None:
    text = str(refused("gugging-swallowing-screen", guss(5, 5)))
    assert "liquid-swallow, liquid-cough, liquid-drooling, liquid-voice" in text
    assert "between 10 and 20" in text


def test_a_sign_of_the_water_test_is_missed_only_where_no_other_decides() -> None:
    text = str(refused("water-test-3-ounce", {"attempted": "Y", "stopped": "N"}))
    assert "without cough, voice" in text


def test_what_was_not_tested_has_no_weight_and_is_missed() -> None:
    aspects = ("range", "strength", "symmetry", "tone", "coordination")
    answers = {f"jaw-{aspect}": "rating-4" for aspect in aspects}
    assert computed("oral-motor-examination", answers)["oral-motor-jaw"] == 20
    made = computed("oral-motor-examination", answers | {"jaw-tone": "not-tested"})
    assert set(made) == {"oral-motor-ratings-jaw"}


def test_the_levels_of_a_diet_are_missed() -> None:
    answers = {"way": "by-mouth", "drink": "1231508001"}
    made = extract(respond(form("functional-diet-scale"), answers), form("functional-diet-scale"))
    assert set(scores(made)) == {"diet-drink-level"}
    assert "without food" in made.issues[0].text


def test_a_required_question_that_was_asked_is_missed() -> None:
    assert "attempted has no answer" in str(refused("water-test-3-ounce", {}))
