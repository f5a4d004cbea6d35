"""Which span of time does a value cover? FHIR R4, Search, section date."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.standard.definitions import Element
from service.standard.extraction.rows import SearchValues, Use, Writer
from service.standard.partial_dates import OPEN_HIGH, OPEN_LOW, interval


def _span(uses: tuple[Use, ...], of: Callable[[Any], tuple[int, int] | None]) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        span = of(value)
        if span is not None:
            for param in params:
                rows.dates.append((param, span[0], span[1], grp))

    return write


def _point(uses: tuple[Use, ...], element: Element) -> Writer:
    return _span(uses, interval)


def _period(uses: tuple[Use, ...], element: Element) -> Writer:
    return _span(uses, _ends)


def _timing(uses: tuple[Use, ...], element: Element) -> Writer:
    return _span(uses, _limits)


def _ends(period: Any) -> tuple[int, int] | None:
    """An end that is missing is open; nothing is said by a period with neither."""
    start, end = period.get("start"), period.get("end")
    if start is None and end is None:
        return None
    low = OPEN_LOW if start is None else interval(start)[0]
    return low, OPEN_HIGH if end is None else interval(end)[1]


def _limits(timing: Any) -> tuple[int, int] | None:
    """The outer limits of a schedule: of its events and of the period it is bound to."""
    spans = [interval(event) for event in timing.get("event", ()) if event is not None]
    bounds = _ends(timing.get("repeat", {}).get("boundsPeriod", {}))
    if bounds is not None:
        spans.append(bounds)
    if not spans:
        return None
    return min(low for low, _ in spans), max(high for _, high in spans)


DATES: dict[str, Callable[[tuple[Use, ...], Element], Writer]] = {
    "date": _point,
    "dateTime": _point,
    "instant": _point,
    "Period": _period,
    "Timing": _timing,
}
