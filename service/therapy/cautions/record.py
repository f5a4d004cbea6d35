"""What is known of the client, and does it still hold?

The record is what the caller was able to gather; what is not in it is not known, which is never an
all-clear. R4: Condition, AllergyIntolerance, Flag, NutritionOrder, Observation, Procedure, their
status elements.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Iterator
from typing import Any

from service.therapy.moments import Moment, moment, moment_in
from service.therapy.techniques import codes_of

Resource = dict[str, Any]

_NOT_SO = frozenset({"refuted", "entered-in-error"})
_OVER = frozenset({"inactive", "remission", "resolved"})
_LIVE = frozenset({"active", "on-hold"})
_SEEN = frozenset({"preliminary", "final", "amended", "corrected"})


class Record:
    """Resources of one client by type, without those that were entered in error.

    `today` is a day's number in the calendar (`date.toordinal`).
    """

    def __init__(self, resources: Iterable[Resource], today: int) -> None:
        self.today = today
        self._by_type: dict[str, list[Resource]] = {}
        for resource in resources:
            self._by_type.setdefault(resource["resourceType"], []).append(resource)

    def of(
        self, resource_type: str, *, within_days: int | None = None, or_ended: bool = False
    ) -> Iterator[Resource]:
        """What holds now and, with `within_days`, happened or was noted since then.

        With `or_ended`: what holds now, whenever it began, and what ended since then.
        """
        for resource in self._by_type.get(resource_type, ()):
            if not _stands(resource):
                continue
            recent = within_days is None or self._is_recent(resource, within_days)
            holds = self._holds(resource)
            if (holds or recent) if or_ended else (holds and recent):
                yield resource

    def _is_recent(self, resource: Resource, days: int) -> bool:
        """Where nothing says when, it may be recent."""
        at = when(resource)
        return at is None or self.today - days <= at.day

    def _holds(self, resource: Resource) -> bool:
        match resource["resourceType"]:
            case "Condition":
                over = _at(resource, "abatement")
                ended = over is not None and over.day < self.today
                return not ended and not _has(resource, "clinicalStatus", _OVER)
            case "AllergyIntolerance":
                return not _has(resource, "clinicalStatus", _OVER)
            case "Flag":
                end = _moment(resource.get("period", {}).get("end"))
                return resource.get("status") == "active" and not (end and end.day < self.today)
            case "NutritionOrder":
                return resource.get("status") in _LIVE
            case "Observation":
                return resource.get("status") in _SEEN
        return True


def when(resource: Resource) -> Moment | None:
    """The last time that a resource names for what it tells, or else when it was noted."""
    found = [_at(resource, name) for name in ("effective", "performed", "onset", "abatement")]
    spans = (resource.get(f"{name}Period") for name in ("effective", "performed", "onset"))
    found += [_moment(span.get("end")) for span in spans if isinstance(span, dict)]
    noted = (resource.get(name) for name in ("recordedDate", "dateTime", "issued"))
    return _last(found) or _last([_moment(text) for text in noted])


def _at(resource: Resource, name: str) -> Moment | None:
    return moment_in(resource, name) or _moment(resource.get(f"{name}DateTime"))


def _moment(text: Any) -> Moment | None:
    """A date as a moment; of one without a day the last day it may mean."""
    if not isinstance(text, str):
        return None
    if len(text) == 4:
        text = f"{text}-12"
    if len(text) == 7:
        year, month = int(text[:4]), int(text[5:])
        text = f"{text}-{calendar.monthrange(year, month)[1]:02d}"
    return moment(text)


def _last(moments: list[Moment | None]) -> Moment | None:
    known = [each for each in moments if each is not None]
    return max(known, key=lambda each: each.order) if known else None


def _stands(resource: Resource) -> bool:
    """Not entered in error, not refuted, not left undone."""
    if resource.get("status") in ("entered-in-error", "not-done", "cancelled"):
        return False
    return not _has(resource, "verificationStatus", _NOT_SO)


def _has(resource: Resource, name: str, codes: frozenset[str]) -> bool:
    return any(code in codes for _, code in codes_of(resource.get(name)))
