"""When was it? ISO 8601 with its offset, or local time in the zone that the clinic has stated.

A local time that the clocks skipped is refused; one that came twice is taken as the first.
R4: http://hl7.org/fhir/R4/datatypes.html#dateTime needs an offset wherever there is a time.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

_OFFSET = re.compile(r"([+-])(\d{2}):?(\d{2})")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?( ?(Z|[+-]\d{2}:?\d{2}))?")


_LONGEST_FORM = 100
_DAY = datetime(2001, 11, 22, 13, 45, 56, tzinfo=UTC)
"""By which a form of dates is tried: its year, month and day cannot be taken for one another."""


class MomentError(ValueError):
    """A time that cannot be read; its text says why."""


def date_form(text: str) -> str:
    """A form of dates as strptime has it, tried. Raises MomentError."""
    try:
        whole = (
            len(text) <= _LONGEST_FORM
            and datetime.strptime(_DAY.strftime(text), text).date() == _DAY.date()
        )
    except (ValueError, re.error):
        # re.error: the same directive twice.
        whole = False
    if not whole:
        raise MomentError(
            f"{text[:_LONGEST_FORM]!r} is no form of dates as in %d.%m.%Y, with day, month and"
            " year once each"
        )
    return text


@lru_cache(maxsize=256)
def zone(name: str) -> tzinfo:
    """A zone by its offset or IANA name. Raises MomentError."""
    if name in ("Z", "UTC"):
        return UTC
    offset = _OFFSET.fullmatch(name)
    if offset:
        sign = -1 if offset[1] == "-" else 1
        span = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
        if span > timedelta(hours=14) or int(offset[3]) > 59:
            raise MomentError(f"{name} is no offset from UTC")
        return timezone(sign * span)
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise MomentError(f"the time zone {name[:60]!r} is not known here") from None


def moment(text: str, zone_name: str | None, date_format: str | None = None) -> datetime:
    """The moment with its offset; `date_format` is for texts without one, as strptime has it.

    Raises MomentError.
    """
    found = _read(text.strip(), date_format)
    if found.tzinfo is not None:
        return found
    if zone_name is None:
        raise MomentError(
            f"{text!r} has no offset from UTC, and no time zone was stated for the clinic"
        )
    here = zone(zone_name)
    placed = found.replace(tzinfo=here)
    try:
        back = placed.astimezone(UTC).astimezone(here).replace(tzinfo=None)
    except OverflowError:
        raise MomentError(f"{text!r} is out of range") from None
    if back != found:
        raise MomentError(f"{text!r} does not exist in {zone_name}: the clocks were put forward")
    return placed


def came_twice(text: str, zone_name: str | None, date_format: str | None = None) -> bool:
    """Whether the clocks were put back over this local time."""
    found = _read(text.strip(), date_format)
    if found.tzinfo is not None or zone_name is None:
        return False
    here = zone(zone_name)
    first, second = found.replace(tzinfo=here), found.replace(tzinfo=here, fold=1)
    return first.utcoffset() != second.utcoffset()


def written(found: datetime) -> str:
    """A FHIR dateTime."""
    offset = found.utcoffset() or timedelta()
    if offset.seconds % 60:
        found = found.astimezone(UTC)
    return found.isoformat(timespec="auto")


def _read(text: str, date_format: str | None) -> datetime:
    if date_format:
        try:
            return datetime.strptime(text, date_format)
        except ValueError:
            if not _ISO.fullmatch(text):
                raise MomentError(f"{text!r} is not of the form {date_format}") from None
    if not _ISO.fullmatch(text):
        raise MomentError(f"{text!r} is no date and time, as in 2026-11-19T08:15:00-07:00")
    try:
        # A space may stand for the T, and before the offset.
        return datetime.fromisoformat(text[:10] + "T" + text[11:].replace(" ", ""))
    except ValueError as error:
        raise MomentError(f"{text!r} is no date and time: {error}") from None
