"""How did a value move within the session? First, lowest and last of the values of each.

For measures that are taken several times a session (oxygen saturation at its start and its end):
mappings/measures/sessions.json. Their course holds all values; here first and later ones are told
apart.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.therapy.course.readings import Series, Value, sessions_of
from service.therapy.course.responses import median_interval
from service.therapy.direct.saturation import SaturationChange, saturation_change
from service.therapy.facts import Estimate, facts
from service.therapy.measures import Measure


@dataclass(frozen=True, slots=True)
class WithinSession:
    """The sessions of treatment in which a measure was taken more than once; medians over them."""

    measure: Measure
    site: dict[str, Any] | None
    sessions: int
    first: float
    lowest: float
    change: Estimate
    """Last less first."""
    falls: int
    """Sessions with a marked fall from the first value to a later one."""
    fall: float
    """From how many points on a fall is marked."""
    references: tuple[str, ...]


def within_sessions(series: Iterable[Series]) -> list[WithinSession]:
    """One for each such measure with a session in which the clock tells first from later."""
    found = []
    for one in series:
        if is_told_apart(one.measure):
            sessions = [v for v in map(_of_treatment, sessions_of(one).values()) if v]
            pairs = [(values, _change(values)) for values in sessions]
            told = [(values, change) for values, change in pairs if change is not None]
            if told:
                found.append(_summed(one, told))
    return found


def is_told_apart(measure: Measure) -> bool:
    """Whether first and later values of a session are told apart."""
    return {"system": measure.system, "code": measure.code} in [
        row["of"] for row in facts("sessions")["rows"]
    ]


def _of_treatment(values: Sequence[Value]) -> list[Value]:
    return [value for value in values if value.placed == "treatment"]


def _change(values: Sequence[Value]) -> SaturationChange | None:
    timed = all(value.at.second is not None for value in values)
    if not timed or not values[0].at.is_before(values[-1].at):
        return None
    numbers = [value.number for value in values]
    return saturation_change(numbers) if all(0 <= n <= 100 for n in numbers) else None


def _summed(one: Series, told: Sequence[tuple[list[Value], SaturationChange]]) -> WithinSession:
    changes = [change for _, change in told]
    return WithinSession(
        one.measure,
        one.site,
        len(changes),
        statistics.median(change.first for change in changes),
        statistics.median(change.lowest for change in changes),
        median_interval([change.change for change in changes]),
        sum(change.is_marked for change in changes),
        facts("standard-measures")["saturation"]["fall"],
        tuple(value.reference for values, _ in told for value in values),
    )
