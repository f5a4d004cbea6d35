"""Days of FHIR dates. R4: http://hl7.org/fhir/R4/datatypes.html#dateTime."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from service.therapy.moments import day_of, iso, moment, moment_in


def test_a_moment_has_the_day_of_the_place_and_the_instant() -> None:
    found = moment("2026-03-04T23:30:00-07:00")
    assert found is not None
    assert found.day == date(2026, 3, 4).toordinal()
    assert found.second == datetime(2026, 3, 5, 6, 30, tzinfo=UTC).timestamp()


@pytest.mark.parametrize("text", ["2026", "2026-03", "", "2026-02-30", "tomorrow!!"])
def test_what_names_no_day_is_no_moment(text: str) -> None:
    assert moment(text) is None


def test_odd_but_valid_times_keep_their_day() -> None:
    for text in ("2026-03-04T23:59:60Z", "2026-03-04T10:00:00.1234567Z", "2026-03-04T10:00"):
        found = moment(text)
        assert found is not None
        assert iso(found.day) == "2026-03-04"


def test_effective_of_every_kind() -> None:
    day = date(2026, 3, 4).toordinal()
    for element in (
        {"effectiveDateTime": "2026-03-04"},
        {"effectiveInstant": "2026-03-04T10:00:00Z"},
        {"effectivePeriod": {"start": "2026-03-04", "end": "2026-03-09"}},
        {"effectivePeriod": {"end": "2026-03-04"}},
        {"effectiveTiming": {"event": ["2026-03-04"]}},
        {"effectiveTiming": {"repeat": {"boundsPeriod": {"start": "2026-03-04"}}}},
    ):
        found = moment_in(element, "effective")
        assert found is not None, element
        assert found.day == day
    assert moment_in({}, "effective") is None
    assert moment_in({"effectiveTiming": {"code": {"text": "daily"}}}, "effective") is None


def test_order_of_moments() -> None:
    texts = ["2026-03-04T10:00:00Z", "2026-03-04", "2026-03-03", "2026-03-04T09:00:00Z"]
    found = sorted((moment(text) for text in texts), key=lambda m: m.order if m else (0, 0.0))
    assert [m.order for m in found if m] == sorted(m.order for m in found if m)
    assert found[1] == moment("2026-03-04")


def test_day_of_partial_dates_is_the_first() -> None:
    assert day_of("2026") == date(2026, 1, 1).toordinal()
    assert day_of("2026-03") == date(2026, 3, 1).toordinal()
    assert day_of(None) is None
