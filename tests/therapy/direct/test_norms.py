"""Are norms and limits those of their papers, and never mixed between devices?"""

from __future__ import annotations

import pytest

from service.therapy.direct.norms import limits_for, norm_for
from service.therapy.facts import facts


def test_percent_and_z_by_age_and_sex() -> None:
    """Jeong 2017, table: men of 60 and more 35.2 (SD 9.0) kPa; a man with 25 kPa."""
    norm, _ = norm_for("tongue-pressure", age=68, sex="male", device="tongue-bulb-1")
    assert norm is not None
    assert norm.percent(25) == pytest.approx(71.0227, abs=5e-5)
    assert norm.z(25) == pytest.approx(-1.1333, abs=5e-5)
    assert "Jeong" in norm.source


def test_the_other_bulb_has_another_norm() -> None:
    """Utanohara 2008: people in their sixties 38 (SD 9) kPa."""
    norm, _ = norm_for("tongue-pressure", age=64, sex="female", device="tongue-bulb-2")
    assert norm is not None
    assert norm.percent(25) == pytest.approx(65.7895, abs=5e-5)
    assert norm.z(25) == pytest.approx(-1.4444, abs=5e-5)
    assert norm.status == "second-hand"


def test_without_a_known_device_or_age_there_is_no_norm_but_a_reason() -> None:
    norm, reason = norm_for("tongue-pressure", age=64, sex="female")
    assert norm is None
    assert "device" in reason
    norm, reason = norm_for("tongue-pressure", age=None, sex="female", device="tongue-bulb-1")
    assert norm is None
    assert "age" in reason
    assert norm_for("tongue-pressure", age=12, sex="male", device="tongue-bulb-1")[0] is None
    norm, reason = norm_for("lip-strength", age=40, sex="male", device="tongue-bulb-1")
    assert norm is None
    assert "placement" in reason
    assert norm_for("no-such", age=40, sex="male")[0] is None


def test_lip_norms_are_told_and_none_is_taken() -> None:
    """Jeong 2017 has 11.4 kPa for men of 40 to 59, Marín-Bernard 2024 28.86 for men."""
    norm, reason = norm_for("lip-strength", age=45, sex="male")
    assert norm is None
    assert "11.4 kPa" in reason
    assert "28.86 kPa" in reason


@pytest.mark.parametrize(
    ("measure", "age", "seconds", "z"),
    [
        ("pa-time", 6, 2.6, -2.2),
        ("pa-time", 6, 6.8, 2.0),
        ("sequence-time", 8, 10.3, 1.0),
        ("sequence-time", 13, 5.7, 0.0),
    ],
)
def test_a_child_that_is_slower_lies_above_the_norm(
    measure: str, age: int, seconds: float, z: float
) -> None:
    """Fletcher 1972, table; a worksheet that copies it calls 2.6 s at six years poor."""
    norm, _ = norm_for(measure, age=age, sex="female")
    assert norm is not None
    assert norm.z(seconds) == pytest.approx(z)
    assert norm.group == f"children of {age}"
    assert norm_for(measure, age=14, sex="female")[0] is None


def test_the_norm_of_a_syllable_rate_is_that_of_the_language() -> None:
    """Icht and Ben-David 2014: English 6.2 (0.8), Hebrew 6.4 (0.8); older Hebrew 5.07 (1.16)."""
    english, _ = norm_for("amr-rate", age=40, sex="male", language="en")
    hebrew, _ = norm_for("amr-rate", age=40, sex="male", language="he")
    older, _ = norm_for("amr-rate", age=70, sex="male", language="he")
    assert english is not None
    assert hebrew is not None
    assert older is not None
    assert (english.mean, hebrew.mean, older.mean) == (6.2, 6.4, 5.07)
    assert english.z(5.0) == pytest.approx(-1.5)
    norm, reason = norm_for("amr-rate", age=40, sex="male")
    assert norm is None
    assert "language" in reason


@pytest.mark.parametrize(("capacity", "abnormal"), [(9.99, True), (10.0, False), (16.7, False)])
def test_water_swallow_limit_is_below_ten(capacity: float, abnormal: bool) -> None:
    """Nathadwarawala 1992: less than 10 mL/s is abnormal."""
    (limit,) = limits_for("water-swallow-capacity", capacity)
    assert limit.abnormal is abnormal


def test_limits_that_disagree_are_both_told() -> None:
    """Icht and Ben-David 2014: 5.4; criterion of oral hypofunction: 6."""
    assert [limit.abnormal for limit in limits_for("amr-rate", 5.7)] == [False, True]


def test_the_limit_of_one_bulb_is_not_used_for_the_other() -> None:
    assert limits_for("tongue-pressure", 25) == []
    assert limits_for("tongue-pressure", 25, device="tongue-bulb-1") == []
    assert [found.abnormal for found in limits_for("tongue-pressure", 25, device="tongue-bulb-2")]


def test_groups_of_a_norm_do_not_overlap_and_name_a_source() -> None:
    data = facts("norms")
    for row in data["norms"]:
        assert row["source"] in data["sources"]
        assert data["sources"][row["source"]]["status"] in ("verified", "second-hand", "memory")
        same = [
            other
            for other in data["norms"]
            if (other["measure"], other["source"], other["sex"])
            == (row["measure"], row["source"], row["sex"])
            and other["from"] <= row["from"]
            and (other["below"] is None or row["from"] < other["below"])
        ]
        assert same == [row]
