"""The scores of our forms against worked examples from outside; the source stands beside each."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Invalid
from service.standard.questionnaires import extract
from tests.standard.questionnaires.respond import (
    code_of,
    computed,
    form,
    guss,
    mdadi,
    numbered,
    respond,
    value_of,
)

IDDSI_DRINKS = ["1231508001", "1237441005", "1237442003", "1237444002", "1237446000"]
IDDSI_FOODS = {3: "1237444002", 4: "1237447009", 5: "1237448004", 6: "1237449007", 7: "1237451006"}


def only(name: str, answers: dict[str, Any], code: str) -> dict[str, Any]:
    """The one Observation with this code."""
    entries = extract(respond(form(name), answers), form(name)).entries
    found = [e["resource"] for e in entries if code_of(e["resource"]) == code]
    assert len(found) == 1
    return dict(found[0])


@pytest.mark.parametrize("level", range(1, 8))
def test_oral_intake_level_is_its_number(level: int) -> None:
    """Crary, Mann and Groher 2005: seven levels; up to 3 depends on a tube, from 4 all by mouth."""
    seen = only(
        "functional-oral-intake-scale", {"level": f"oral-intake-{level}"}, "oral-intake-level"
    )
    assert value_of(seen) == level
    is_fed_by_tube = "tube" in seen["interpretation"][0]["text"]
    assert is_fed_by_tube == (level <= 3)


def test_eating_assessment_is_the_sum() -> None:
    """Belafsky 2008: ten items of 0 to 4 are added; 3 and above is abnormal."""
    assert computed("eating-assessment-10", numbered([0, 1, 0, 2, 0, 0, 1, 3, 2, 1])) == {
        "eat-10-total": 10
    }


@pytest.mark.parametrize(("weights", "code"), [([2] + [0] * 9, "N"), ([3] + [0] * 9, "A")])
def test_eating_assessment_is_abnormal_from_three(weights: list[int], code: str) -> None:
    """Belafsky 2008; the criteria of a gerodontology position paper quote 3 or more."""
    seen = only("eating-assessment-10", numbered(weights), "eat-10-total")
    assert seen["interpretation"][0]["coding"][0]["code"] == code
    (limits,) = seen["referenceRange"]
    assert limits["high"]["value"] == 2
    assert "Belafsky" in limits["text"]
    assert "Sum of the ten items" in seen["method"]["text"]


@pytest.mark.parametrize(("weights", "code"), [([4, 4, 3], "N"), ([4, 4, 4], "A")])
def test_voice_handicap_is_abnormal_above_eleven(weights: list[int], code: str) -> None:
    """Arffa 2012, abstract: abnormal if above 11. Eleven itself is not."""
    seen = only("voice-handicap-10", numbered(weights + [0] * 7), "vhi-10-total")
    assert value_of(seen) == sum(weights)
    assert seen["interpretation"][0]["coding"][0]["code"] == code


def test_penetration_aspiration_over_several_swallows() -> None:
    """Worked by hand: twelve swallows; median, mean and mode are not made, as scores are ordered
    and not evenly spaced (Steele and Grace-Martin 2017)."""
    given = [1, 1, 2, 1, 3, 1, 8, 1, 2, 1, 5, 1]
    consistencies = [IDDSI_DRINKS[0]] * 6 + [IDDSI_FOODS[4]] * 6
    answers = [
        (score, {"consistency": consistency})
        for score, consistency in zip(given, consistencies, strict=True)
    ]
    response = respond(form("penetration-aspiration-scale"), {"swallow": answers})
    made = [
        entry["resource"]
        for entry in extract(response, form("penetration-aspiration-scale")).entries
    ]
    by_code = {code_of(each): each for each in made}
    swallows = [each for each in made if code_of(each) == "penetration-aspiration"]
    assert [value_of(each) for each in swallows] == given
    assert [value_of(each["component"][0]) for each in swallows] == consistencies
    assert value_of(by_code["penetration-aspiration-worst"]) == 8
    assert "silent" in by_code["penetration-aspiration-worst"]["interpretation"][0]["text"]
    assert value_of(by_code["penetration-aspiration-share"]) == 25
    table = {code_of(c): value_of(c) for c in by_code["penetration-aspiration-table"]["component"]}
    # The four-level recode proposed by Steele and Grace-Martin 2017; groups from memory.
    assert [table[f"penetration-aspiration-group-{g}"] for g in "abcd"] == [9, 2, 0, 1]
    counts = [table[f"penetration-aspiration-count-{n}"] for n in range(1, 9)]
    assert counts == [7, 2, 1, 0, 1, 0, 0, 1]
    assert table["swallows-scored"] == 12
    assert table["penetration-aspiration-worst-level-0"] == 3
    assert table["penetration-aspiration-worst-level-4"] == 8
    assert "penetration-aspiration-worst-level-7" not in table


@pytest.mark.parametrize("food", IDDSI_FOODS)
@pytest.mark.parametrize("drink", range(5))
def test_functional_diet_scale_counts_levels(food: int, drink: int) -> None:
    """Steele 2018: the score is the number of levels allowed; the grid follows from that."""
    answers = {"way": "by-mouth", "drink": IDDSI_DRINKS[drink], "food": IDDSI_FOODS[food]}
    if food < drink:
        with pytest.raises(Invalid, match="diet-1"):
            computed("functional-diet-scale", answers)
        return
    made = computed("functional-diet-scale", answers)
    assert made["functional-diet-scale"] == len(range(drink, food + 1))
    assert made["diet-drink-level"] == IDDSI_DRINKS[drink]
    assert made["diet-food-level"] == IDDSI_FOODS[food]


def test_functional_diet_scale_elsewhere() -> None:
    """Nothing by mouth is 0; levels left out between are counted out, each once; easy to chew is
    level 7; where raters disagree (Steele 2018, abstract) the clinician's score is taken."""

    def score(**answers: Any) -> Any:
        given = {name.replace("_", "-"): value for name, value in answers.items()}
        return computed("functional-diet-scale", given)["functional-diet-scale"]

    assert score(way="nothing-by-mouth") == 0
    assert score(way="unusual-diet", entered=2) == 2
    thin_to_regular = {"way": "by-mouth", "drink": IDDSI_DRINKS[0], "food": "1237450007"}
    assert score(**thin_to_regular) == 8
    left_out = ["1237441005", "1237446000", "1237447009", "1231508001"]
    assert score(**thin_to_regular, not_allowed=left_out) == 6


@pytest.mark.parametrize(
    ("parts", "total", "band"),
    [
        ((5, 5, 5, 5), 20, "none or slight"),
        ((5, 5, 5, 2), 17, "slight, low"),
        ((5, 5, 3, 0), 13, "moderate"),
        ((5, 5, 3, None), 13, "moderate"),
        ((5, 3, 0, 0), 8, "severe"),
        ((4, 0, 0, 0), 4, "severe"),
        ((4, None, None, None), 4, "severe"),
    ],
)
def test_gugging_screen_totals(parts: tuple[int | None, ...], total: int, band: str) -> None:
    """Trapl 2007, score sheet: four parts of 5, stop below 5; 20, 15-19, 10-14, 0-9."""
    seen = only("gugging-swallowing-screen", guss(*parts), "gugging-swallowing-screen-total")
    assert value_of(seen) == total
    assert band in seen["interpretation"][0]["text"]


def test_gugging_screen_refuses_a_part_after_one_that_failed() -> None:
    """Trapl 2007: each part must reach 5 to go on."""
    with pytest.raises(Invalid, match="guss-1") as refusal:
        computed("gugging-swallowing-screen", guss(5, 4, 5, 0))
    assert refusal.value.status == 422


@pytest.mark.parametrize(
    ("scale", "weights", "score"),
    [
        ("burden", [3, 4], 62.5),
        ("burden", [1, 1], 0),
        ("burden", [5, 5], 100),
        ("mental-health", [2, 3, 4, 5, 1], 50),
        ("mental-health", [2, 4, 5], 66.6667),
    ],
)
def test_swallowing_quality_of_life(scale: str, weights: list[int], score: float) -> None:
    """100 (mean - 1) / 4 by hand; the last with two of five missing, under the half rule."""
    answers = {f"{scale}-{n}": f"scale-{weight}" for n, weight in enumerate(weights, 1)}
    assert computed("swallowing-quality-of-life", answers) == {f"swal-qol-{scale}": score}


NINETEEN = (
    [f"e{n}" for n in range(2, 8)] + [f"f{n}" for n in range(1, 6)] + [f"p{n}" for n in range(1, 9)]
)


def test_dysphagia_inventory_composite() -> None:
    """Chen 2001: 20 x mean of 19 items. All 3 give 60; a sum of 64 gives 67.3684 (by hand)."""
    threes = dict.fromkeys(NINETEEN, 3)
    made = computed("dysphagia-inventory", mdadi(threes) | {"global-item": "box-1"})
    assert made["mdadi-composite"] == 60
    assert made["mdadi-global"] == 20
    more = threes | dict.fromkeys(NINETEEN[:7], 4)
    assert sum(more.values()) == 64
    assert computed("dysphagia-inventory", mdadi(more))["mdadi-composite"] == 67.3684


def test_dysphagia_inventory_ends_and_reversed_items() -> None:
    """The lowest score is 20, and only if E7 and F2 are agreed with least (Chen 2001)."""
    lowest = mdadi(dict.fromkeys(NINETEEN, 1))
    assert lowest["e7"] == lowest["f2"] == "box-5"
    assert computed("dysphagia-inventory", lowest)["mdadi-composite"] == 20
    assert computed("dysphagia-inventory", mdadi(dict.fromkeys(NINETEEN, 5))) == {
        f"mdadi-{part}": 100 for part in ("emotional", "functional", "physical", "composite")
    }
    all_first = dict.fromkeys(NINETEEN, "box-1")
    assert computed("dysphagia-inventory", all_first)["mdadi-emotional"] == 33.3333


@pytest.mark.parametrize(("sixties", "is_severe"), [(0, False), (1, True)])
def test_dysphagia_inventory_limit_of_sixty(sixties: int, is_severe: bool) -> None:
    """PMID 30633325: below 60 is taken as moderate or severe; 60 itself is not."""
    weights = dict.fromkeys(NINETEEN, 3) | dict.fromkeys(NINETEEN[:sixties], 2)
    seen = only("dysphagia-inventory", mdadi(weights), "mdadi-composite")
    assert ("coding" in seen["interpretation"][0]) == is_severe


@pytest.mark.parametrize(
    ("signs", "result"),
    [
        ("NNN", "no-signs-seen"),
        ("YNN", "signs-seen"),
        ("NYN", "signs-seen"),
        ("NNY", "signs-seen"),
        ("Y", "signs-seen"),
    ],
)
def test_water_test_fails_by_any_sign(signs: str, result: str) -> None:
    """Suiter and Leder 2008: any of the three is a fail; a pass needs all three absent."""
    answers = dict(zip(("stopped", "cough", "voice"), signs, strict=False))
    seen = only("water-test-3-ounce", {"attempted": "Y"} | answers, "water-test-3-ounce")
    assert value_of(seen) == result
    assert "rules nothing out" in seen["note"][0]["text"]


def test_water_test_that_was_not_attempted_is_no_fail() -> None:
    """Not attempted is not failed: no result at all."""
    found = extract(
        respond(form("water-test-3-ounce"), {"attempted": "N"}), form("water-test-3-ounce")
    )
    assert found.count == 0
    assert [issue.severity for issue in found.issues] == ["information"]


def test_oral_motor_examination_adds_its_ratings() -> None:
    """Our own: five structures, five ratings of 0 to 4, by hand: 5 x 5 x 3 = 75."""
    structures = ("lips", "cheeks", "jaw", "tongue", "soft-palate")
    aspects = ("range", "strength", "symmetry", "tone", "coordination")
    answers = {f"{s}-{a}": "rating-3" for s in structures for a in aspects}
    answers |= {"lips-range": "rating-1", "lips-tone-direction": "low"}
    made = computed("oral-motor-examination", answers)
    assert made["oral-motor-total"] == 73
    assert made["oral-motor-lips"] == 13
    assert made["oral-motor-soft-palate"] == 15
    seen = only("oral-motor-examination", answers, "oral-motor-ratings-lips")
    ratings = {code_of(c): value_of(c) for c in seen["component"]}
    assert ratings["oral-motor-range"] == "rating-1"
    assert ratings["oral-motor-tone-direction"] == "low"
    assert len(ratings) == 6
