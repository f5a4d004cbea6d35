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


def test_lip_norms_are_given_only_by_their_source() -> None:
    """Jeong 2017 has 11.4 kPa for men of 40 to 59, Marín-Bernard 2024 28.86 for men."""
    one, _ = norm_for("lip-strength", age=45, sex="male", source="jeong-2017")
    other, _ = norm_for("lip-strength", age=45, sex="male", source="marin-bernard-2024")
    assert one is not None
    assert other is not None
    assert (one.mean, other.mean) == (11.4, 28.86)


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
