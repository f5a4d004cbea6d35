"""Are quantities brought to base units right?

Sources: the SI brochure (9th edition, tables 2, 4, 7, 8), the UCUM specification 2.1 (tables and
syntax), and the codes of ValueSet ucum-common of the official R4 package.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.units import to_base
from tests import official


@pytest.mark.parametrize(
    ("value", "code", "other", "other_code"),
    [
        (1, "kPa", 1000, "Pa"),
        (250, "ms", Decimal("0.25"), "s"),
        (1, "min", 60, "s"),
        (1, "wk", 168, "h"),
        (1, "a", Decimal("365.25"), "d"),
        (12, "mo", 1, "a"),
        (1, "L", 1, "dm3"),
        (1, "mL", 1, "cm3"),
        (1, "l", 1, "L"),
        (100, "mm[Hg]", Decimal("13.3322"), "kPa"),
        (1, "cm[H2O]", Decimal("98.0665"), "Pa"),
        (1, "bar", 100, "kPa"),
        (1, "kPa", 1, "kN/m2"),
        (1, "J", 1, "N.m"),
        (1, "kcal", 4184, "J"),
        (37, "Cel", Decimal("310.15"), "K"),
        (Decimal("98.6"), "[degF]", 37, "Cel"),
        (1, "[in_i]", Decimal("2.54"), "cm"),
        (1, "[ft_i]", 12, "[in_i]"),
        (1, "[lb_av]", Decimal("453.59237"), "g"),
        (1, "[foz_us]", Decimal("29.5735295625"), "mL"),
        (50, "%", Decimal("0.5"), "1"),
        (180, "deg", Decimal("3.141592653589793238462643383"), "rad"),
        (3, "/min", 180, "/h"),
        (3, "{Times}/wk", 3, "/wk"),
        (5, "{syllable}/s", 5, "Hz"),
        (20, "10*3/uL", 20, "10*9/L"),
        (70, "dB", 7, "B"),
        (70, "dB[SPL]", 7, "B[SPL]"),
        (1, "kg/m2", 1000, "g.m-2"),
        (1, "mL/min/{1.73_m2}", 60, "mL/h"),
        (1, "(g.m)/s2", 1, "g.m/s2"),
        (1, "m/s/s", 1, "m/s2"),
        (8, "g/(8.h)", 1, "g/h"),
    ],
)
def test_equal_amounts_are_equal_in_base_units(
    value: Decimal, code: str, other: Decimal, other_code: str
) -> None:
    left, right = to_base(value, code), to_base(other, other_code)
    assert left is not None
    assert right is not None
    assert left[1] == right[1]
    assert left[0] == pytest.approx(right[0], rel=1e-12)


@pytest.mark.parametrize(
    ("value", "code", "expected"),
    [
        (1, "kPa", (1_000_000.0, "g.m-1.s-2")),
        (Decimal("0.1"), "s", (0.1, "s")),
        (Decimal("2.50"), "m", (2.5, "m")),
        (5, "{score}", (5.0, "1")),
        (1, "[iU]", (1.0, "[IU]")),
    ],
)
def test_base_units_have_a_name(value: Decimal, code: str, expected: tuple[float, str]) -> None:
    assert to_base(value, code) == expected


def test_unlike_amounts_have_unlike_base_units() -> None:
    names = {
        found[1]
        for code in ("kPa", "s", "m", "g", "1", "B", "[IU]", "K", "Hz", "m2")
        if (found := to_base(1, code)) is not None
    }
    assert len(names) == 10


@pytest.mark.parametrize(
    "code",
    [
        "",
        " ",
        "strokes",
        "kmin",
        "mm[Hg",
        "m/",
        "m..s",
        "/",
        "(m",
        "m)",
        "Cel/min",
        "Cel2",
        "m" * 65,
        "m{",
        "m-",
        "10*99999",
        "kk",
        "µm",
        "KPA",
    ],
)
def test_what_is_unknown_is_not_converted(code: str) -> None:
    assert to_base(1, code) is None


def test_numbers_beyond_decimal_arithmetic_are_not_converted() -> None:
    assert to_base(Decimal("1e999999"), "km") is None


@given(st.text(max_size=80))
def test_any_text_is_read_without_failing(code: str) -> None:
    found = to_base(1, code)
    assert found is None or isinstance(found[0], float)


def test_most_common_units_of_the_official_value_set_are_known() -> None:
    concepts = official.package()["ValueSet-ucum-common"]["compose"]["include"][0]["concept"]
    unknown = [concept["code"] for concept in concepts if to_base(1, concept["code"]) is None]
    assert len(concepts) > 1300
    assert len(unknown) < 230, "historic, electric and laboratory units"
