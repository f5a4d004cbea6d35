"""Do the right numbers get into the right series?"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from service.therapy.course.phases import PlanTimes, Span, months_before
from service.therapy.course.readings import Links, Series, read_series
from service.therapy.moments import Moment
from tests.factories.course import START, concept, measured, quantity

PLAN = Links("CarePlan/p1", frozenset({"ServiceRequest/r1"}), frozenset({"ServiceRequest/x"}))
DAY = START.toordinal()
TIMES = PlanTimes(Span(Moment(DAY, None)), months_before(DAY, 6))


def convert(number: float, unit: str, wanted: str) -> float | None:
    return {("Pa", "kPa"): number / 1000, ("ms", "s"): number / 1000}.get((unit, wanted))


def read(*resources: dict[str, Any], links: Links = PLAN) -> list[Series]:
    return read_series(((r, r) for r in resources), links, TIMES, convert)


def day(number: int) -> date:
    return START + timedelta(days=number)


def test_values_are_in_the_order_of_time_and_of_their_phase() -> None:
    (found,) = read(
        measured("p1", 3, day(9), 2.0),
        measured("p1", 1, day(-7), 4.0, linked=False),
        measured("p1", 2, day(2), 3.0),
    )
    assert [value.number for value in found.values] == [4.0, 3.0, 2.0]
    assert [value.placed for value in found.values] == ["baseline", "treatment", "treatment"]
    assert found.unit == "s"


def test_sites_are_series_of_their_own() -> None:
    sites = ("lip-corner-left", "lip-corner-right")
    found = read(
        *(
            measured(
                "p1",
                n,
                day(n),
                5,
                code="lip-strength",
                unit="kPa",
                bodySite=concept("oral-region", sites[n % 2]),
            )
            for n in range(4)
        )
    )
    assert [(series.site or {})["code"] for series in found] == list(sites)
    assert [len(series.values) for series in found] == [2, 2]


def test_units_are_brought_together_and_strangers_left_out() -> None:
    (found,) = read(
        measured("p1", 1, day(1), 20.0, code="tongue-pressure", unit="kPa"),
        measured("p1", 2, day(2), 21000.0, code="tongue-pressure", unit="Pa"),
        measured("p1", 3, day(3), 3.0, code="tongue-pressure", unit="mm"),
    )
    assert [value.number for value in found.values] == [20.0, 21.0]
    assert sum(found.left_out.values()) == 1


def test_what_is_no_measurement_is_left_aside() -> None:
    wrong = measured("p1", 1, day(1), 3.0, status="entered-in-error")
    empty = measured("p1", 2, day(2), 3.0)
    del empty["valueQuantity"]
    coded = measured("p1", 3, day(3), 3.0) | {"code": concept("computed", "slope")}
    vague = measured("p1", 4, "2026-03", 3.0)
    undated = measured("p1", 5, day(5), 3.0)
    del undated["effectiveDateTime"]
    huge = measured("p1", 6, day(6), 1e300)
    found = read(wrong, empty, coded, vague, undated, huge)
    (series,) = found
    assert series.values == []
    assert series.left_out == {"without a day": 2, "no plausible number": 1}


def test_integers_and_values_without_a_unit_count() -> None:
    whole = measured("p1", 1, day(1), 0)
    del whole["valueQuantity"]
    whole["valueInteger"] = 4
    bare = measured("p1", 2, day(2), 0) | {"valueQuantity": {"value": 5}}
    (series,) = read(whole, bare)
    assert [value.number for value in series.values] == [4.0, 5.0]


def test_links_to_this_plan_its_requests_and_to_others() -> None:
    def based(*names: str) -> dict[str, Any]:
        return {"basedOn": [{"reference": name} for name in names]}

    links = Links("CarePlan/p1", PLAN.own, PLAN.others, "http://x/fhir")
    assert links.of(based("CarePlan/p1")) == "own"
    assert links.of(based("http://x/fhir/CarePlan/p1/_history/2")) == "own"
    assert links.of(based("CarePlan/p2", "ServiceRequest/r1")) == "own"
    assert links.of(based("CarePlan/p2")) == "other"
    assert links.of(based("ServiceRequest/x")) == "other"
    assert links.of(based("ServiceRequest/unknown")) == "none"
    assert links.of(based("http://elsewhere/fhir/CarePlan/p1")) == "none"
    assert links.of({"partOf": [{"reference": "ServiceRequest/r1"}]}) == "own"
    assert links.of({}) == "none"


def test_a_known_code_goes_before_others_in_the_same_concept() -> None:
    both = measured("p1", 1, day(1), 97, unit="%")
    both["code"] = {
        "coding": [
            {"system": "http://clinic.example", "code": "sat"},
            {"system": "http://loinc.org", "code": "59408-5"},
        ]
    }
    own = measured("p1", 2, day(2), 96, unit="%")
    own["code"] = {"coding": [{"system": "http://loinc.org", "code": "2708-6"}]}
    (series,) = read(both, own)
    assert series.measure.code == "2708-6"
    assert len(series.values) == 2


def test_an_unknown_measure_keeps_its_most_used_unit() -> None:
    found = [measured("p1", n, day(n), 1.0) for n in range(3)]
    for resource, unit in zip(found, ("a", "b", "b"), strict=True):
        resource["code"] = {"text": "Something of the clinic's own"}
        resource["valueQuantity"] = quantity(1.0, unit)
    (series,) = read(*found)
    assert series.unit == "b"
    assert series.measure.direction is None
    assert len(series.values) == 2
