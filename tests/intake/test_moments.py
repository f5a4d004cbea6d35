"""Times of session notes. Changes of the clocks: IANA time zone database, Europe/Berlin 2026."""

from __future__ import annotations

import pytest

from service.intake.moments import MomentError, came_twice, date_form, moment, written


@pytest.mark.parametrize(
    ("text", "zone", "form", "expected"),
    [
        ("2026-11-19T08:15:00-07:00", None, None, "2026-11-19T08:15:00-07:00"),
        ("2026-11-19T08:15Z", None, None, "2026-11-19T08:15:00+00:00"),
        ("2026-11-19 08:15", "-07:00", None, "2026-11-19T08:15:00-07:00"),
        ("2026-11-19 08:15 +01:00", None, None, "2026-11-19T08:15:00+01:00"),
        ("2026-07-01T08:15", "Europe/Berlin", None, "2026-07-01T08:15:00+02:00"),
        ("2026-12-01T08:15", "Europe/Berlin", None, "2026-12-01T08:15:00+01:00"),
        ("19.11.2026 08:15", "-07:00", "%d.%m.%Y %H:%M", "2026-11-19T08:15:00-07:00"),
        ("2026-11-19T08:15", "-07:00", "%d.%m.%Y %H:%M", "2026-11-19T08:15:00-07:00"),
        ("2026-11-19T08:15:30.25", "UTC", None, "2026-11-19T08:15:30.250000+00:00"),
    ],
)
def test_times_are_placed(text: str, zone: str | None, form: str | None, expected: str) -> None:
    assert written(moment(text, zone, form)) == expected


@pytest.mark.parametrize(
    ("text", "zone"),
    [
        ("2026-11-19T08:15", None),
        ("2026-11-19", "-07:00"),
        ("2026-02-30T08:15", "-07:00"),
        ("2026-11-19T25:15", "-07:00"),
        ("today", "-07:00"),
        ("2026-11-19T08:15", "Atlantis/Capital"),
        ("2026-11-19T08:15", "../../etc/passwd"),
        ("2026-11-19T08:15", "+99:00"),
        ("2026-03-29T02:30", "Europe/Berlin"),
        ("0001-01-01T00:00", "+14:00"),
    ],
)
def test_times_that_leave_a_doubt_are_refused(text: str, zone: str | None) -> None:
    with pytest.raises(MomentError):
        moment(text, zone)


def test_an_hour_that_came_twice_is_taken_as_the_first() -> None:
    text = "2026-10-25T02:30"
    assert written(moment(text, "Europe/Berlin")) == "2026-10-25T02:30:00+02:00"
    assert came_twice(text, "Europe/Berlin")
    assert not came_twice("2026-10-25T04:30", "Europe/Berlin")
    assert not came_twice(f"{text}+01:00", "Europe/Berlin")


@pytest.mark.parametrize(
    "form",
    ["%d.%m.%Y", "%d.%m.%Y %H:%M", "%m/%d/%y %I:%M %p", "%Y-%m-%dT%H:%M:%S.%f%z", "%G-W%V-%u"],
)
def test_forms_of_dates_are_taken(form: str) -> None:
    assert date_form(form) == form


@pytest.mark.parametrize(
    "form",
    [
        "%d%d",
        "%d.%m.%Y" + 50 * "%f",
        "%",
        "%d.%m.%Y%",
        "%Q",
        "%H:%M",
        "%Y-%m",
        "dd.mm.yyyy",
        "\x00%d.%m.%Y",
        "\ud800%d.%m.%Y",
        "%d.%m.%Y" + 100 * "x",
    ],
)
def test_forms_that_do_not_tell_the_day_are_refused(form: str) -> None:
    with pytest.raises(MomentError, match="form of dates"):
        date_form(form)
