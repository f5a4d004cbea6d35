"""Which span does a partial date cover? Source: R4, Search, section date; Data Types, dateTime."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.partial_dates import OPEN_HIGH, OPEN_LOW, interval

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def micro(*when: int) -> int:
    return (datetime(*when, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize(
    ("text", "low", "after"),
    [
        # R4, Search, date: "2013-01-14" is from 00:00 to, but not including, 2013-01-15T00:00
        ("2013-01-14", micro(2013, 1, 14), micro(2013, 1, 15)),
        ("2013-01-14T10:00", micro(2013, 1, 14, 10), micro(2013, 1, 14, 10, 1)),
        ("2013", micro(2013, 1, 1), micro(2014, 1, 1)),
        ("2013-12", micro(2013, 12, 1), micro(2014, 1, 1)),
        ("2024-02", micro(2024, 2, 1), micro(2024, 3, 1)),
        ("2024-02-29", micro(2024, 2, 29), micro(2024, 3, 1)),
        ("2013-01-14T10:00:05Z", micro(2013, 1, 14, 10, 0, 5), micro(2013, 1, 14, 10, 0, 6)),
        ("2013-01-14T10:00:05", micro(2013, 1, 14, 10, 0, 5), micro(2013, 1, 14, 10, 0, 6)),
        ("2013-01-01T01:00:00+02:00", micro(2012, 12, 31, 23), micro(2012, 12, 31, 23, 0, 1)),
        ("2013-01-01T01:00:00-11:30", micro(2013, 1, 1, 12, 30), micro(2013, 1, 1, 12, 30, 1)),
        ("2013-01-01T00:00:00+14:00", micro(2012, 12, 31, 10), micro(2012, 12, 31, 10, 0, 1)),
        # A leap second is the one before the next minute.
        ("2016-12-31T23:59:60Z", micro(2017, 1, 1), micro(2017, 1, 1, 0, 0, 1)),
        (
            "2013-01-14T10:00:05.25Z",
            micro(2013, 1, 14, 10, 0, 5, 250_000),
            micro(2013, 1, 14, 10, 0, 5, 260_000),
        ),
        (
            "2013-01-14T10:00:05.1234567Z",
            micro(2013, 1, 14, 10, 0, 5, 123_456),
            micro(2013, 1, 14, 10, 0, 5, 123_457),
        ),
    ],
)
def test_spans(text: str, low: int, after: int) -> None:
    assert interval(text) == (low, after - 1)


def test_first_and_last_year_fit_between_the_open_ends() -> None:
    first, _ = interval("0001-01-01T00:00:00+14:00")
    _, last = interval("9999-12-31T23:59:59-14:00")
    assert OPEN_LOW < first < last < OPEN_HIGH
    assert OPEN_LOW >= -(2**63)
    assert OPEN_HIGH < 2**63


@pytest.mark.parametrize(
    "text",
    [
        "",
        "0000",
        "13",
        "2013-1",
        "2013-13",
        "2013-00",
        "2013-02-30",
        "2023-02-29",
        "2013-01-14T10",
        "2013-01-14T24:00:00Z",
        "2013-01-14T10:60:00Z",
        "2013-01-14T10:00:61Z",
        "2013-01-14T10:00:00.Z",
        "2013-01-14T10:00:00+14:30",
        "2013-01-14T10:00:00+15:00",
        "2013-01-14T10:00:00z",
        "2013-01-14 10:00:00Z",
        "2013-01Z",
        " 2013",
        "2013\n",
        "٢٠١٣",
        "-2013",
        "+2013",
        "20130114",
    ],
)
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        interval(text)


@given(st.datetimes(min_value=datetime(1, 1, 2), max_value=datetime(9999, 12, 30)), st.timezones())
def test_an_instant_is_where_the_standard_library_puts_it(when: datetime, zone: object) -> None:
    minutes = (when.minute * 7) % 840 * (1 if when.second % 2 else -1)
    local = when.replace(microsecond=0) + timedelta(minutes=minutes)
    sign = "+" if minutes >= 0 else "-"
    hours, rest = divmod(abs(minutes), 60)
    low, high = interval(f"{local.isoformat()}{sign}{hours:02}:{rest:02}")
    assert low == (when.replace(microsecond=0, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)
    assert high == low + 999_999


@given(st.dates())
def test_shorter_dates_hold_longer_ones(day: object) -> None:
    text = str(day)
    spans = [interval(part) for part in (text[:4], text[:7], text, f"{text}T12:00:00Z")]
    for outer, inner in pairwise(spans):
        assert outer[0] <= inner[0] <= inner[1] <= outer[1]
