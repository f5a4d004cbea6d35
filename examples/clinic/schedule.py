"""When does a client come, and which plan is in force that day?"""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from .model import Block, Course, Missed
from .plans import Version
from .weeks import FRIDAY, Year


class Session(NamedTuple):
    """One planned visit: its number in the course, its day, what kind, and where."""

    course: Course
    number: int
    week: int
    day: date
    block: Block
    version: Version | None
    progress: float

    @property
    def id(self) -> str:
        """The clinic system's number of the session."""
        return f"{self.day:%Y%m%d}-{self.course.client.slug}"

    @property
    def missed(self) -> Missed | None:
        return self.course.missed.get(self.number)

    @property
    def phase(self) -> str:
        """baseline before a plan, treatment under one, follow-up after the last."""
        if self.version:
            return "treatment"
        last_start = self.course.plans[-1].stages[0].week
        return "baseline" if self.block.first_week <= last_start else "follow-up"


def in_force(course: Course, day: date, year: Year) -> Version | None:
    """The version of a plan that is in force on a day: the last one written before it."""
    found: Version | None = None
    for plan in course.plans:
        for index, stage in enumerate(plan.stages):
            if year.day(stage.week, FRIDAY) < day:
                found = Version(course, plan, index, year)
    if found and found.stage.status in ("completed", "revoked"):
        return None
    return found


def sessions(course: Course, year: Year) -> list[Session]:
    """All planned visits of a client in the order of time."""
    days = [
        (year.day(week, weekday), week, block)
        for block in course.blocks
        for week in range(block.first_week, block.last_week + 1)
        for weekday in block.weekdays
    ]
    days.sort(key=lambda visit: visit[0])
    begin = year.day(course.plans[0].stages[0].week + 1)
    length = max(1, (days[-1][0] - begin).days)
    return [
        Session(
            course,
            number,
            week,
            day,
            block,
            in_force(course, day, year),
            (day - begin).days / length,
        )
        for number, (day, week, block) in enumerate(days)
    ]
