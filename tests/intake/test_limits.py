"""Limits and units. Factors: the Unified Code for Units of Measure (mm[Hg] is 133.322 Pa)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.intake import limits
from service.intake.places import Findings, Pointers
from service.intake.tables import table
from service.standard.codec import Number
from service.therapy.measures import known_measures


@pytest.mark.parametrize(
    ("value", "unit", "wanted", "expected"),
    [
        ("5.50", "mm", "mm", "5.50"),
        ("5.5", "mm", "cm", "0.55"),
        ("164", "mm[Hg]", "kPa", "21.9"),
        ("30", "cm[H2O]", "kPa", "2.94"),
        ("2500", "ms", "s", "2.5"),
        ("150", "[lb_av]", "kg", "68"),
        ("0.97", "1", "%", "97"),
        ("0", "ms", "s", "0"),
        ("-3", "kPa", "kPa", "-3"),
    ],
)
def test_values_are_converted(value: str, unit: str, wanted: str, expected: str) -> None:
    found = limits.converted(Number(value), unit, wanted)
    assert found is not None
    assert found.literal == expected


@pytest.mark.parametrize("unit", ["kg", "blob", "s2", ""])
def test_units_of_another_kind_are_not_converted(unit: str) -> None:
    assert limits.converted(Number("1"), unit, "s") is None


@pytest.mark.parametrize(
    ("code", "value", "severity"),
    [
        ("2708-6", "140", "error"),
        ("2708-6", "-1", "error"),
        ("2708-6", "84", "warning"),
        ("2708-6", "96", None),
        ("tongue-pressure", "-0.1", "error"),
        ("tongue-pressure", "120", "warning"),
        ("tongue-pressure", "500", "error"),
        ("intelligibility", "100.5", "error"),
        ("penetration-aspiration", "9", "error"),
        ("penetration-aspiration", "2.5", "error"),
        ("swallow-delay", "-2", "error"),
        ("oral-intake-level", "7", None),
    ],
)
def test_values_are_judged(code: str, value: str, severity: str | None) -> None:
    (measure,) = {one for one in known_measures().values() if one.code == code}
    findings = Findings(Pointers())
    limits.check_measured(Decimal(value), measure, findings, ("value",))
    assert [issue.severity for issue in findings.issues] == ([severity] if severity else [])


def test_every_limit_is_of_a_known_measure_and_in_order() -> None:
    known = {(one.system, one.code) for one in known_measures().values()}
    ours = "https://hyoid.example/fhir/CodeSystem/measure"
    rows = table("limits")
    for key, row in rows["measures"].items():
        system, _, code = key.rpartition("|")
        assert (system or ours, code) in known, key
        low, high = row["possible"]
        usual_low, usual_high = row["usual"]
        assert low <= usual_low < usual_high <= high, key
    assert all((ours, code) in known for code in rows["whole"])


def test_every_written_unit_means_a_ucum_unit() -> None:
    for written, code in table("kinds")["units"].items():
        assert limits.is_unit(code), written
