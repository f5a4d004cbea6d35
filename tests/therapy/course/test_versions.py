"""This version of a plan against the one before."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from service.therapy.course.phases import PlanTimes, Span
from service.therapy.course.readings import Links, Series, read_series
from service.therapy.course.versions import version_changes, version_days
from service.therapy.moments import Moment
from tests.factories.course import START, measured, plan

DAY = START.toordinal()


def version(number: int, *notes: str, **more: Any) -> dict[str, Any]:
    told = [{"text": "A note.", "time": note} for note in notes]
    return plan(meta={"versionId": str(number)}, **({"note": told} if told else {}), **more)


def test_a_version_holds_from_its_newest_note_or_when_it_was_stored() -> None:
    stored = DAY + 900
    versions = [
        (version(1, "2026-03-02"), stored),
        (version(2, "2026-03-02", "2026-04-10"), stored),
        (version(3, "2026-03-02", "2026-04-10"), stored + 1),  # nothing changed
        (version(4, "2026-03-02", "2026-04-10", status="on-hold"), stored + 2),
    ]
    found = version_days(versions)
    assert found == [(1, DAY), (2, DAY + 39), (4, stored + 2)]


def series_of(values: list[float]) -> list[Series]:
    observed = [
        measured("p1", n, START + timedelta(days=3 + 7 * n), value)
        for n, value in enumerate(values)
    ]
    links = Links("CarePlan/p1", frozenset(), frozenset())
    times = PlanTimes(Span(Moment(DAY, None)), None)
    return read_series(((o, o) for o in observed), links, times, lambda *_: None)


def test_the_last_version_with_values_against_the_one_before() -> None:
    series = series_of([5, 5.2, 4.9, 5.1, 3, 2.9, 2.5, 2.8])
    days = [(1, DAY), (2, DAY + 7 * 4), (3, DAY + 700)]
    measures = {one.key: one.measure for one in series}
    (found,) = version_changes(series, "CarePlan/p1", days, (), measures)
    assert found.before == "CarePlan/p1/_history/1"
    assert (found.before_count, found.count) == (4, 4)
    assert found.verdict == "improving"
    assert found.overlap is not None
    assert found.overlap.nap.value == 1


def test_few_values_and_no_earlier_version() -> None:
    series = series_of([5, 4, 3])
    measures = {one.key: one.measure for one in series}
    assert version_changes(series, "CarePlan/p1", [(1, DAY)], (), measures) == []
    days = [(1, DAY), (2, DAY + 8)]
    (found,) = version_changes(series, "CarePlan/p1", days, (), measures)
    assert found.verdict == "too few data"
    assert version_changes([], "CarePlan/p1", days, (), {}) == []
