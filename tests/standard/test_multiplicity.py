"""Is it known which parameters a resource can have one value of? From the official package."""

from __future__ import annotations

import pytest

from service.standard.definitions import definitions
from service.standard.multiplicity import single_valued


@pytest.mark.parametrize(
    ("type_", "code", "single"),
    [
        ("Observation", "date", True),  # a choice of dateTime, Period, Timing, instant
        ("CarePlan", "date", True),  # a Period
        ("Condition", "onset-age", True),  # two types of one choice
        ("Patient", "birthdate", True),
        ("Encounter", "length", True),
        ("Goal", "target-date", False),  # target repeats
        ("Encounter", "location-period", False),
        ("Composition", "period", False),
        ("Observation", "combo-value-quantity", False),  # the value and those of components
        ("Observation", "code", False),  # one CodeableConcept, but several codings
        ("Patient", "name", False),
    ],
)
def test_single_values(type_: str, code: str, single: bool) -> None:
    parameter = definitions().search_parameter(type_, code)
    assert parameter is not None
    assert single_valued(parameter) is single
