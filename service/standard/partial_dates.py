"""Which span of time does a date that may be partial cover?

`2026-03` is all of March. A time is given in microseconds since 1970 in UTC; a span is closed at
both ends. FHIR R4: Data Types, sections date, dateTime, instant; Search, section date.
"""

from __future__ import annotations

import re
from datetime import date

OPEN_LOW = -(2**62)
OPEN_HIGH = 2**62 - 1
"""The ends of a period that has no start or no end; years 0001 to 9999 lie well between."""

_SECOND = 1_000_000
_DAY = 86_400 * _SECOND
_EPOCH = date(1970, 1, 1).toordinal()
_UNIT_BY_FRACTION = tuple(10 ** (6 - digits) for digits in range(7))

_SHAPE = re.compile(
    r"([0-9]{4})(?:-(0[1-9]|1[0-2])(?:-(0[1-9]|[12][0-9]|3[01])"
    r"(?:T([01][0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9]|60)(?:\.([0-9]+))?)?"
    r"(?:(Z)|([+-])(0[0-9]|1[0-3]):([0-5][0-9])|([+-])14:00)?)?)?)?"
)


def interval(text: str) -> tuple[int, int]:
    """First and last microsecond of a date, dateTime or instant.

    A time without zone is read as UTC. Seconds may be missing, as search values allow, and
    digits beyond the microsecond are cut. Raises ValueError where the text is no date.
    """
    shape = _SHAPE.fullmatch(text)
    if shape is None:
        raise ValueError(f"{text!r} is not a date")
    year, month, day, hour, minute, second, fraction, _, sign, zone_h, zone_m, far = shape.groups()
    if day is None:
        return _of_months(int(year), month)
    low = (date(int(year), int(month), int(day)).toordinal() - _EPOCH) * _DAY
    if hour is None:
        return low, low + _DAY - 1
    low += (int(hour) * 60 + int(minute)) * 60 * _SECOND
    if sign is not None:
        offset = (int(zone_h) * 60 + int(zone_m)) * 60 * _SECOND
        low += -offset if sign == "+" else offset
    elif far is not None:
        low += (-14 if far == "+" else 14) * 3600 * _SECOND
    if second is None:
        return low, low + 60 * _SECOND - 1
    low += int(second) * _SECOND
    if fraction is None:
        return low, low + _SECOND - 1
    low += int(fraction[:6].ljust(6, "0"))
    return low, low + _UNIT_BY_FRACTION[min(len(fraction), 6)] - 1


def _of_months(year: int, month: str | None) -> tuple[int, int]:
    first = date(year, int(month or 1), 1).toordinal()
    if month is None:
        after = date(year, 12, 31).toordinal() + 1
    elif month == "12":
        after = first + 31
    else:
        after = date(year, int(month) + 1, 1).toordinal()
    return (first - _EPOCH) * _DAY, (after - _EPOCH) * _DAY - 1
