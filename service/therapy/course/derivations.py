"""Does what is stored as derived from parts still follow from them?

What was done and counted in parts (a timed drink, a set of presses) gives the measures that follow
from it. A value that is stored as derived from it (by `Observation/[id]/$derive`, or by another
system) counts in their place as long as it says the same, to the digits it is written with, of the
same day and place. Where the parts were corrected afterwards, the parts count, and that is told.
R4: http://hl7.org/fhir/R4/observation.html#obsgrouping.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from typing import Any, NamedTuple

from service.therapy.direct.parts import (
    Convert,
    Outcome,
    PartsError,
    Row,
    outcomes,
    row_of,
    rows,
)
from service.therapy.measures import MEASURES, Measure, known_measures
from service.therapy.moments import moment_in
from service.therapy.references import first_coding, key_of, named, targets

Resource = dict[str, Any]

NOT_SEEN = frozenset({"entered-in-error", "cancelled"})

_CHANGED = "derived from parts that were changed since; what they give now counts"
_IN_ERROR = "derived from parts that are marked as an error"
_WITHDRAWN = "the value derived from its parts is marked as an error"
_TWICE = "derived from the same parts a second time"


class Counted(NamedTuple):
    """A number to be counted: of an Observation as it is stored, or of what follows from parts."""

    measure: Measure
    number: float
    unit: str
    resource: Resource
    source: Any
    """What the number was read from; None where it is computed."""


class LeftOut(NamedTuple):
    """A value of a measure at the place of an Observation that does not count, and why."""

    measure: Measure
    resource: Resource
    why: str


class Derivations:
    """Observations in parts, and the values that say that they are derived from them."""

    def __init__(self, convert: Convert, base: str) -> None:
        self._convert = convert
        self._base = base
        self._in_parts: list[tuple[Row, Resource]] = []
        self._stored: dict[str, list[Counted]] = {}

    def keep_parts(self, resource: Resource) -> None:
        """Take an Observation without a value, if it may be one in parts."""
        row = row_of(resource)
        if row is not None:
            self._in_parts.append((row, resource))

    def keep_stored(self, value: Counted) -> bool:
        """Take a value that may follow from parts; False where it does not say so."""
        names = targets(value.resource["derivedFrom"], self._base)
        if len(names) != 1 or value.measure not in _following():
            return False
        self._stored.setdefault(names[0], []).append(value)
        return True

    def settled(self) -> Iterator[Counted | LeftOut]:
        """What counts, and what does not; each thing kept is settled once."""
        for row, parts in sorted(self._in_parts, key=lambda each: str(each[1]["id"])):
            yield from self._settled(row, parts, self._stored.pop(named(parts), []))
        for values in self._stored.values():
            yield from (v for v in values if v.resource.get("status") not in NOT_SEEN)

    def _settled(
        self, row: Row, parts: Resource, stored: list[Counted]
    ) -> Iterator[Counted | LeftOut]:
        given = [known_measures()[MEASURES, gives["measure"]] for gives in row["gives"]]
        yield from (value for value in stored if value.measure not in given)
        made: dict[Measure, Outcome] = {}
        why = _CHANGED
        if parts.get("status") in NOT_SEEN:
            why = _IN_ERROR
        else:
            try:
                made = {each.measure: each for each in outcomes(row, parts, self._convert)}
            except PartsError as error:
                for measure in given:
                    yield LeftOut(measure, parts, f"its parts give no value ({error})")
        for measure in given:
            own = [value for value in stored if value.measure == measure]
            own.sort(key=lambda value: str(value.resource["id"]))
            yield from self._weighed(made.get(measure), parts, own, why)

    def _weighed(
        self, outcome: Outcome | None, parts: Resource, stored: list[Counted], why: str
    ) -> Iterator[Counted | LeftOut]:
        """One measure of one Observation in parts: the value that counts, and those that do not."""
        seen = [value for value in stored if value.resource.get("status") not in NOT_SEEN]
        same = [v for v in seen if outcome is not None and self._says(v, outcome.number, parts)]
        yield from same[:1]
        yield from (LeftOut(v.measure, v.resource, _TWICE) for v in same[1:])
        yield from (LeftOut(v.measure, v.resource, why) for v in seen if v not in same)
        if outcome is None or same:
            return
        if stored and not seen:
            yield LeftOut(outcome.measure, parts, _WITHDRAWN)
            return
        told = {**parts, "method": {"text": outcome.method}}
        yield Counted(outcome.measure, outcome.number, outcome.measure.unit or "", told, None)

    def _says(self, value: Counted, number: float, parts: Resource) -> bool:
        """Whether a stored value is what the parts give, of their day and place."""
        unit = value.measure.unit or ""
        found: float | None = value.number
        if value.unit not in ("", unit):
            found = self._convert(value.number, value.unit, unit)
        return (
            found is not None
            and math.isclose(found, number, rel_tol=1e-9, abs_tol=_half_digit(value.number))
            and _where(value.resource) == _where(parts)
        )


@functools.cache
def _following() -> frozenset[Measure]:
    """The measures that follow from parts."""
    known = known_measures()
    return frozenset(known[MEASURES, g["measure"]] for row in rows().values() for g in row["gives"])


def _half_digit(number: float) -> float:
    """Half of the last digit that a number is written with."""
    text = repr(number)
    return 0.0 if "e" in text else 0.5 * 10.0 ** -len(text.partition(".")[2])


def _where(resource: Resource) -> tuple[object, ...]:
    at = moment_in(resource, "effective")
    return at and at.day, key_of(first_coding(resource.get("bodySite")))
