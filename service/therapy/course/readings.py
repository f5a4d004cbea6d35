"""Which numbers do the Observations of a course hold, and where does each belong?

Read once, one Observation after the other, into what the computations take. Numbers only: of
`valueQuantity` and `valueInteger`; a value with a comparator counts at its limit.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple, cast

from service.therapy.course.phases import Link, Phase, Placed, PlanTimes, place
from service.therapy.measures import OWN, Measure, measure_of
from service.therapy.moments import Moment, moment_in
from service.therapy.references import first_coding, key_of, target

Resource = dict[str, Any]
Convert = Callable[[float, str, str], float | None]

PHASES = OWN + "phase"
REGIONS = OWN + "oral-region"
COMPUTED = OWN + "computed"

_NOT_SEEN = frozenset({"entered-in-error", "cancelled"})
_PHASES = frozenset({"baseline", "treatment", "follow-up"})
_GREATEST = 1e12


class Value(NamedTuple):
    """One measured number in the unit it was recorded in."""

    reference: str
    at: Moment
    number: float
    unit: str
    placed: Placed
    session: str | None
    device: str | None
    method: str | None
    other_plan: str | None
    """The plan it belongs to, where that is another one."""
    source: Any
    """What the number was read from, to be shown as it was written."""


@dataclass(slots=True)
class Series:
    """The values of one measure at one body site, in the order of time."""

    measure: Measure
    site: Resource | None
    values: list[Value] = field(default_factory=list)
    unit: str = ""
    left_out: Counter[str] = field(default_factory=Counter)

    def of(self, placed: Placed) -> list[Value]:
        """The values of a phase."""
        return [value for value in self.values if value.placed == placed]

    @property
    def key(self) -> tuple[str, str, str]:
        """Measure and site."""
        return self.measure.system, self.measure.code, (key_of(self.site) or ("", ""))[1]


@dataclass(frozen=True, slots=True)
class Links:
    """What belongs to the plan: requests and procedures of this one, and of the others."""

    plan: str
    own: frozenset[str]
    others: frozenset[str]
    base: str = ""

    def of(self, resource: Resource) -> Link:
        """Which plan a resource refers to by `basedOn` and `partOf`."""
        found: Link = "none"
        base = self.base
        for name in ("basedOn", "partOf"):
            for reference in resource.get(name, ()):
                to = target(reference, base)
                if to is None:
                    continue
                if to == self.plan or to in self.own:
                    return "own"
                if to in self.others or to.startswith("CarePlan/"):
                    found = "other"
        return found

    def other_plan(self, resource: Resource) -> str | None:
        """The first plan that a resource is based on."""
        based = (target(reference, self.base) for reference in resource.get("basedOn", ()))
        return next((to for to in based if to and to.startswith("CarePlan/")), None)


def read_series(
    observations: Iterable[tuple[Resource, Any]],
    links: Links,
    times: PlanTimes,
    convert: Convert,
) -> list[Series]:
    """The series of (Observation, what it was read from), in the order of their names."""
    found: dict[tuple[object, ...], Series] = {}
    known: dict[tuple[object, ...], Measure | None] = {}
    for resource, source in observations:
        number, unit = _number(resource)
        if number is None or resource.get("status") in _NOT_SEEN:
            continue
        measure = _measure(resource["code"], known)
        if measure is None or measure.system == COMPUTED:
            continue
        site = _site(resource)
        at = moment_in(resource, "effective")
        link = links.of(resource)
        placed = place(explicit_phase(resource), at, link, times)
        key = (measure.system, measure.code, key_of(site))
        series = found.get(key)
        if series is None:
            series = found[key] = Series(measure, site)
        if placed == "undated" or at is None:
            series.left_out["without a day"] += link != "other"
        elif not math.isfinite(number) or abs(number) > _GREATEST:
            series.left_out["no plausible number"] += 1
        else:
            series.values.append(
                Value(
                    f"Observation/{resource['id']}",
                    at,
                    number,
                    unit,
                    placed,
                    target(resource.get("encounter"), links.base),
                    target(resource.get("device"), links.base),
                    _text(resource.get("method")),
                    links.other_plan(resource) if placed == "elsewhere" else None,
                    source,
                )
            )
    for series in found.values():
        _settle(series, convert)
    return sorted(found.values(), key=lambda series: (series.measure.name, series.key))


def explicit_phase(resource: Resource) -> Phase | None:
    """The phase that is written on an Observation, among its categories."""
    for category in resource.get("category", ()):
        for coding in category.get("coding", ()):
            if coding.get("system") == PHASES and coding.get("code") in _PHASES:
                return cast(Phase, coding["code"])
    return None


def sessions_of(series: Series) -> Mapping[str, list[Value]]:
    """The values of each session (its Encounter, else its day), in the order of time."""
    found: dict[str, list[Value]] = {}
    for value in series.values:
        found.setdefault(value.session or f"day {value.at.day}", []).append(value)
    return found


def _number(resource: Resource) -> tuple[float | None, str]:
    quantity = resource.get("valueQuantity")
    if quantity is not None:
        number = quantity.get("value")
        if number is None:
            return None, ""
        return float(number), quantity.get("code") or quantity.get("unit") or ""
    number = resource.get("valueInteger")
    return (None if number is None else float(number)), ""


def _measure(concept: Resource, known: dict[tuple[object, ...], Measure | None]) -> Measure | None:
    codings = concept.get("coding", ())
    if len(codings) == 1:
        key: tuple[object, ...] = (codings[0].get("system"), codings[0].get("code"))
    else:
        key = tuple((c.get("system"), c.get("code")) for c in codings) or (concept.get("text"),)
    if key not in known:
        known[key] = measure_of(concept)
    return known[key]


def _site(resource: Resource) -> Resource | None:
    concept = resource.get("bodySite")
    return first_coding(concept, REGIONS) if concept else None


def _text(concept: Resource | None) -> str | None:
    coding = first_coding(concept)
    return None if coding is None else str(coding.get("display") or coding.get("code"))


def _settle(series: Series, convert: Convert) -> None:
    """One order of time and one unit: that of the measure, else the one most often used."""
    series.values.sort(key=lambda value: (value.at.order, value.reference))
    units = Counter(value.unit for value in series.values)
    most = max(sorted(units), key=lambda unit: units[unit]) if units else ""
    series.unit = series.measure.unit or most
    if set(units) <= {series.unit}:
        return
    kept = []
    for value in series.values:
        number = (
            value.number
            if value.unit in ("", series.unit)
            else convert(value.number, value.unit, series.unit)
        )
        if number is None:
            series.left_out[f"in {value.unit}, which is no {series.unit or 'plain number'}"] += 1
        else:
            kept.append(value._replace(number=number))
    series.values = kept
