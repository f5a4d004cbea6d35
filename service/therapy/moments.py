"""On which day was it? FHIR dates as the day on the clock of the place, and as an instant.

A day counts as the place's own day, so that two values of one session have one time on the axis of
weeks, and clock changes move nothing. A date without a day (`2026-03`) is no point in time here.
R4: datatypes, dateTime.
"""

from __future__ import annotations

import functools
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

Resource = dict[str, Any]


class Moment(NamedTuple):
    """A day (its number in the calendar), and the second since 1970 if a time was given."""

    day: int
    second: float | None

    @property
    def order(self) -> tuple[int, float]:
        """Sorts days, and times within a day; a day without time stands before its times."""
        return self.day, self.second if self.second is not None else float("-inf")

    def is_before(self, other: Moment) -> bool:
        """Earlier by the clock where both have one, else by the day."""
        if self.second is not None and other.second is not None:
            return self.second < other.second
        return self.day < other.day


@functools.lru_cache(maxsize=65536)
def moment(text: str) -> Moment | None:
    """The moment that a date, dateTime or instant names; None where it names no single day."""
    if len(text) < 10:
        return None
    try:
        day = date.fromisoformat(text[:10]).toordinal()
    except ValueError:
        return None
    if len(text) == 10:
        return Moment(day, None)
    try:
        at = datetime.fromisoformat(text.replace(":60", ":59"))
    except ValueError:
        return Moment(day, None)
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return Moment(day, at.timestamp())


def moment_in(resource: Resource, name: str) -> Moment | None:
    """When, from `nameDateTime`, `nameInstant`, `namePeriod` (its start) or `nameTiming`."""
    text = resource.get(name + "DateTime") or resource.get(name + "Instant")
    if not text:
        span = resource.get(name + "Period")
        timing = resource.get(name + "Timing")
        if span:
            text = span.get("start") or span.get("end")
        elif timing:
            bounds = timing.get("repeat", {}).get("boundsPeriod", {})
            text = next(iter(timing.get("event", ())), None) or bounds.get("start")
    return moment(text) if isinstance(text, str) else None


def iso(day: float) -> str:
    """A day's number as a date, rounded to the nearest day."""
    return date.fromordinal(max(1, min(round(day), date.max.toordinal()))).isoformat()


def day_of(text: str | None) -> int | None:
    """The day of a date that may be partial: its first day."""
    if not text:
        return None
    whole = text + "-01-01"[: 10 - len(text)] if len(text) in (4, 7) else text
    if len(text) == 7:
        whole = text + "-01"
    found = moment(whole)
    return found.day if found else None
