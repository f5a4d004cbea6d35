"""Which amount does a value state? Source: R4, Search, section quantity; Data Types, Quantity."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import pytest

from service.standard.extraction.quantities import OPEN
from service.standard.search_values import extract
from tests.standard.search_rows import of

UCUM = "http://unitsofmeasure.org"
KPA = {"system": UCUM, "code": "kPa", "unit": "kilopascal"}


def rows(value: dict[str, Any]) -> list[Any]:
    found = extract({"resourceType": "Observation", **value})
    return of(found.quantities, "Observation", "value-quantity")


@pytest.mark.parametrize(
    ("comparator", "low", "high"),
    [
        (None, 5.0, 5.0),
        ("<", -OPEN, math.nextafter(5, 0)),
        ("<=", -OPEN, 5.0),
        (">", math.nextafter(5, 6), OPEN),
        (">=", 5.0, OPEN),
    ],
)
def test_a_comparator_opens_an_end(comparator: str | None, low: float, high: float) -> None:
    quantity = {"value": 5, **KPA} | ({"comparator": comparator} if comparator else {})
    ((found_low, found_high, system, code, unit, _, base_low, base_high, base),) = rows(
        {"valueQuantity": quantity}
    )
    assert (found_low, found_high) == (low, high)
    assert (system, code, unit, base) == (UCUM, "kPa", "kilopascal", "g.m-1.s-2")
    assert base_low == (-OPEN if low == -OPEN else pytest.approx(low * 1e6))
    assert base_high == (OPEN if high == OPEN else pytest.approx(high * 1e6))


@pytest.mark.parametrize(
    "quantity",
    [
        {"value": 5},
        {"value": 5, "unit": "strokes"},
        {"value": 5, "system": UCUM, "code": "[unknown]"},
        {"value": 5, "system": "http://other.example", "code": "kPa"},
    ],
)
def test_other_units_have_no_base(quantity: dict[str, Any]) -> None:
    assert rows({"valueQuantity": quantity})[0][-3:] == (0.0, 0.0, "")


@pytest.mark.parametrize("value", ["1e400", "-1e400", "1e999999"])
def test_numbers_beyond_a_float_are_the_greatest(value: str) -> None:
    ((low, high, *_),) = rows({"valueQuantity": {"value": Decimal(value), **KPA}})
    assert low == high == (-OPEN if value.startswith("-") else OPEN)


def test_a_quantity_without_value_gives_nothing() -> None:
    assert rows({"valueQuantity": {"unit": "kPa"}}) == []


@pytest.mark.parametrize(
    ("abatement", "ends"),
    [
        ({"abatementAge": {"value": 60, "system": UCUM, "code": "a"}}, (60.0, 60.0)),
        ({"abatementRange": {"low": {"value": 60}, "high": {"value": 65}}}, (60.0, 65.0)),
        ({"abatementRange": {"low": {"value": 60}}}, (60.0, OPEN)),
        ({"abatementRange": {"high": {"value": 65}}}, (-OPEN, 65.0)),
    ],
)
def test_age_and_range(abatement: dict[str, Any], ends: tuple[float, float]) -> None:
    found = extract({"resourceType": "Condition", **abatement})
    ((low, high, *_),) = of(found.quantities, "Condition", "abatement-age")
    assert (low, high) == ends


def test_sampled_data_spans_its_samples() -> None:
    # R4, Data Types, SampledData: value = origin + factor × sample; E, U, L are no values.
    samples = {"origin": {"value": 2, **KPA}, "factor": Decimal("0.5"), "data": "E 4 -6 U 10 L"}
    ((low, high, _, code, *_),) = rows({"valueSampledData": samples})
    assert (low, high, code) == (-1.0, 7.0, "kPa")
    assert rows({"valueSampledData": {"origin": {"value": 2}, "data": "E U"}}) == []
