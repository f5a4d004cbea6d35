"""In which order does everything arrive? Set-up, clients with their first plans, then day by day.

`bundles()` gives the same bytes for the same seed and date on every machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, time
from typing import NamedTuple

from .codes import Json
from .courses import COURSES
from .ledger import Ledger
from .plans import Version
from .reviews import opening, review
from .schedule import Session, sessions
from .sessions import session_bundle
from .staff import set_up
from .weeks import Year

DEFAULT_SEED = 7
DEFAULT_UNTIL = date(2026, 11, 20)


class _Event(NamedTuple):
    """Something that is sent on a day; on the same day sessions come before reviews."""

    day: date
    rank: int
    at: time
    client: str
    happening: Session | Version


def _visits(year: Year) -> Iterator[_Event]:
    for course in COURSES:
        for session in sessions(course, year):
            yield _Event(session.day, 0, course.at, course.client.slug, session)


def _reviews(year: Year) -> Iterator[_Event]:
    """Every stage but the very first, which came with the client."""
    for course in COURSES:
        for place, plan in enumerate(course.plans):
            for index in range(0 if place else 1, len(plan.stages)):
                version = Version(course, plan, index, year)
                yield _Event(version.written, 1 + place, course.at, course.client.slug, version)


def bundles(seed: int = DEFAULT_SEED, until: date = DEFAULT_UNTIL) -> Iterator[Json]:
    """The clinic's year as transaction Bundles in the order they are to be sent."""
    year = Year(until)
    ledger = Ledger()
    yield set_up()
    for course in COURSES:
        yield opening(course, year)
    events = [*_visits(year), *_reviews(year)]
    events.sort(key=lambda event: event[:4])
    for event in events:
        if isinstance(event.happening, Session):
            yield session_bundle(event.happening, seed, ledger)
        else:
            yield review(event.happening, ledger)
