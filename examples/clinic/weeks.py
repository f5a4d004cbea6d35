"""Which day is it? The year is counted in weeks that end a few days before a given date."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

FRIDAY = 4


@dataclass(frozen=True)
class Year:
    """52 whole weeks, 0 to 51, ending with the Sunday before the week of `until`."""

    until: date

    def day(self, week: int, weekday: int = 0) -> date:
        """A day of a week; weeks below 0 lie before the year."""
        monday = self.until - timedelta(days=self.until.weekday(), weeks=52)
        return monday + timedelta(weeks=week, days=weekday)
