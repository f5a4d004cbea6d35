"""Which span does a value cover? Source: R4, Search, section date, its table of datatypes."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.partial_dates import OPEN_HIGH, OPEN_LOW, interval
from service.standard.search_values import extract
from tests.standard.search_rows import of

MARCH, MAY = interval("2026-03"), interval("2026-05")


@pytest.mark.parametrize(
    ("value", "rows"),
    [
        ({"occurrenceDateTime": "2026-03"}, [(*MARCH, 0)]),
        ({"occurrencePeriod": {"start": "2026-03", "end": "2026-05"}}, [(MARCH[0], MAY[1], 0)]),
        # "If the start element is missing, the start of the period is open", and so the end.
        ({"occurrencePeriod": {"end": "2026-05"}}, [(OPEN_LOW, MAY[1], 0)]),
        ({"occurrencePeriod": {"start": "2026-03"}}, [(MARCH[0], OPEN_HIGH, 0)]),
        ({"occurrencePeriod": {"extension": []}}, []),
        # "Timing: the scheduling details are ignored and only the outer limits matter."
        ({"occurrenceTiming": {"event": ["2026-05", None, "2026-03"]}}, [(MARCH[0], MAY[1], 0)]),
        (
            {
                "occurrenceTiming": {
                    "repeat": {"boundsPeriod": {"start": "2026-03"}, "frequency": 3}
                }
            },
            [(MARCH[0], OPEN_HIGH, 0)],
        ),
        ({"occurrenceTiming": {"repeat": {"frequency": 3}}}, []),
    ],
)
def test_rows(value: dict[str, Any], rows: list[Any]) -> None:
    found = extract({"resourceType": "ServiceRequest", **value})
    assert of(found.dates, "ServiceRequest", "occurrence") == rows


def test_types_that_are_no_dates_give_none() -> None:
    # Procedure.performed[x] may be an Age or a string, CarePlan's scheduled[x] a string.
    assert extract({"resourceType": "Procedure", "performedString": "in 2026"}).dates == []
    plan = {"resourceType": "CarePlan", "activity": [{"detail": {"scheduledString": "2026-03"}}]}
    assert extract(plan).dates == []


def test_only_the_named_type_of_a_choice_counts() -> None:
    goal = {"resourceType": "Goal", "startDate": "2026-03", "target": [{"dueDate": "2026-05"}]}
    found = extract(goal)
    assert of(found.dates, "Goal", "start-date") == [(*MARCH, 0)]
    assert of(found.dates, "Goal", "target-date") == [(*MAY, 1)]
