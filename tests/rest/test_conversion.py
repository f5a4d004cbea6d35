"""Numbers in another UCUM unit. Factors: https://ucum.org, tables of units."""

from __future__ import annotations

import pytest

from service.rest.conversion import convert


@pytest.mark.parametrize(
    ("number", "unit", "wanted", "expected"),
    [
        (21500, "Pa", "kPa", 21.5),
        (150, "mm[Hg]", "kPa", 19.9983),
        (2300, "ms", "s", 2.3),
        (98.6, "[degF]", "Cel", 37.0),
        (0.5, "1", "%", 50),
        (7, "{score}", "{count}", 7),
    ],
)
def test_conversions(number: float, unit: str, wanted: str, expected: float) -> None:
    assert convert(number, unit, wanted) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("unit", "wanted"), [("kPa", "s"), ("no unit", "s"), ("s", "")])
def test_what_does_not_measure_the_same_is_not_converted(unit: str, wanted: str) -> None:
    assert convert(1, unit, wanted) is None
