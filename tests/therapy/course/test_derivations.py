"""Does a value that is stored as derived count only while its parts say the same?

The capacity of a timed drink is volume by time (Hughes and Wiles 1996): 150 mL in 15 s are 10 mL/s.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from service.rest.conversion import convert
from service.therapy.course.phases import PlanTimes, Span
from service.therapy.course.readings import Links, Series, read_series
from service.therapy.direct.derived import derived
from service.therapy.direct.parts import outcomes, row_of
from service.therapy.moments import Moment
from tests.factories.course import START, concept, quantity
from tests.factories.parts import drink

Resource = dict[str, Any]

CAPACITY = "water-swallow-capacity"
DAY = (START + timedelta(days=10)).isoformat()
LINKS = Links("CarePlan/p1", frozenset(), frozenset())
TIMES = PlanTimes(Span(Moment(START.toordinal(), None)), None)


def drunk(seconds: float, **more: Any) -> Resource:
    """A drink of 150 mL with 8 swallows, in treatment."""
    return drink(150, 0, seconds, 8, effectiveDateTime=f"{DAY}T09:00:00Z", **more)


def follows(parts: Resource, key: str = "stored", **more: Any) -> Resource:
    """The capacity as `$derive` stores it."""
    (capacity, *_) = outcomes(row_of(parts) or {}, parts, convert)
    return derived(capacity, parts) | {"id": key} | more


def capacity_of(*resources: Resource) -> Series:
    """The series of the capacity, however the Observations are ordered."""
    found = []
    for ordered in (resources, resources[::-1]):
        all_series = read_series([(r, r) for r in ordered], LINKS, TIMES, convert)
        (series,) = [each for each in all_series if each.measure.code == CAPACITY]
        found.append(series)
    assert found[0].values == found[1].values
    assert found[0].left_out == found[1].left_out
    return found[0]


def told(*resources: Resource) -> tuple[list[tuple[str, float]], list[str]]:
    """(reference, number) of what counts, and the reasons for what does not."""
    series = capacity_of(*resources)
    return [(v.reference, round(v.number, 4)) for v in series.values], sorted(series.left_out)


def test_a_stored_value_counts_in_place_of_its_parts() -> None:
    parts = drunk(15)
    assert told(parts, follows(parts)) == ([("Observation/stored", 10)], [])


@pytest.mark.parametrize("written", [8.33, 8.3, 8.333333333])
def test_it_may_be_rounded(written: float) -> None:
    parts = drunk(18)
    stored = follows(parts, valueQuantity=quantity(written, "mL/s"))
    assert told(parts, stored) == ([("Observation/stored", round(written, 4))], [])


def test_it_may_be_in_another_unit() -> None:
    parts = drunk(15)
    stored = follows(parts, valueQuantity=quantity(0.01, "L/s"))
    assert told(parts, stored) == ([("Observation/stored", 10)], [])


@pytest.mark.parametrize(
    "correction",
    [
        {"component": drink(150, 0, 10, 8)["component"]},
        {"effectiveDateTime": f"{(START + timedelta(days=11)).isoformat()}T09:00:00Z"},
        {"bodySite": concept("oral-region", "pharynx")},
    ],
)
def test_parts_that_were_corrected_count_and_it_is_told(correction: Resource) -> None:
    first = drunk(15)
    corrected = first | correction
    values: list[tuple[str, float]] = []
    reasons: list[str] = []
    read = [(each, each) for each in (corrected, follows(first))]
    for series in read_series(read, LINKS, TIMES, convert):
        if series.measure.code == CAPACITY:
            values += [(value.reference, value.number) for value in series.values]
            reasons += list(series.left_out)
    seconds = corrected["component"][2]["valueQuantity"]["value"]
    assert values == [("Observation/parts", 150 / seconds)]
    assert reasons == ["derived from parts that were changed since; what they give now counts"]


def test_parts_that_give_nothing_any_more_take_the_value_along() -> None:
    wrong = drunk(15) | {"component": drink(150, 150, 15, 8)["component"]}
    values, reasons = told(wrong, follows(drunk(15)))
    assert values == []
    assert any("its parts give no value" in why for why in reasons)
    assert any("changed since" in why for why in reasons)


def test_parts_marked_as_an_error_take_the_value_along() -> None:
    wrong = drunk(15, status="entered-in-error")
    values, reasons = told(wrong, follows(drunk(15)))
    assert (values, reasons) == ([], ["derived from parts that are marked as an error"])


def test_a_value_marked_as_an_error_is_not_computed_again_but_told() -> None:
    parts = drunk(15)
    withdrawn = follows(parts, status="entered-in-error")
    assert told(parts, withdrawn) == (
        [],
        ["the value derived from its parts is marked as an error"],
    )
    assert told(parts, withdrawn, follows(parts, "again"))[0] == [("Observation/again", 10)]


def test_two_values_from_the_same_parts_count_once() -> None:
    parts = drunk(15)
    assert told(parts, follows(parts, "a"), follows(parts, "b")) == (
        [("Observation/a", 10)],
        ["derived from the same parts a second time"],
    )


def test_what_is_derived_from_something_else_counts_as_it_is() -> None:
    elsewhere = follows(drunk(15), derivedFrom=[{"reference": "Observation/unread"}])
    assert told(elsewhere) == ([("Observation/stored", 10)], [])
    both = [{"reference": "Observation/parts"}, {"reference": "Observation/other"}]
    assert told(follows(drunk(15), derivedFrom=both))[0] == [("Observation/stored", 10)]
