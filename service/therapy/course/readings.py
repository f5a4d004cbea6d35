"""Which numbers do the Observations of a course hold, and where does each belong?

Read once, one Observation after the other, into what the computations take. Numbers only: of
`valueQuantity` and `valueInteger`; a value with a comparator counts at its limit. What follows from
Observations in parts: derivations.py.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple, cast

from service.therapy.course.derivations import NOT_SEEN, Counted, Derivations
from service.therapy.course.phases import Link, Phase, Placed, PlanTimes, place
from service.therapy.direct.parts import Convert
from service.therapy.measures import COMPUTED, OWN, Measure, measure_of
from service.therapy.moments import Moment, moment_in
from service.therapy.references import first_coding, key_of, target

Resource = dict[str, Any]

PHASES = OWN + "phase"
REGIONS = OWN + "oral-region"

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
    """What the number was read from, to be shown as it was written; None where it is computed."""


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
    seen: dict[object, Link] = field(default_factory=dict, compare=False, repr=False)

    def of(self, resource: Resource) -> Link:
        """Which plan a resource refers to by `basedOn` and `partOf`."""
        found: Link = "none"
        for name in ("basedOn", "partOf"):
            for reference in resource.get(name, ()):
                text = reference.get("reference")
                link = self.seen.get(text) or self._link(text)
                if link == "own":
                    return "own"
                if link == "other":
                    found = "other"
        return found

    def _link(self, text: object) -> Link:
        """The same of one reference; a course names few, so each is looked at once."""
        to = target({"reference": text}, self.base)
        found: Link = "none"
        if to is not None and (to == self.plan or to in self.own):
            found = "own"
        elif to is not None and (to in self.others or to.startswith("CarePlan/")):
            found = "other"
        self.seen[text] = found
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
    reader = _Reader(links, times, convert)
    for resource, source in observations:
        reader.read(resource, source)
    return reader.settled()


class _Reader:
    """Sorts the values of Observations into series."""

    def __init__(self, links: Links, times: PlanTimes, convert: Convert) -> None:
        self._links = links
        self._times = times
        self._convert = convert
        self._series: dict[tuple[object, ...], Series] = {}
        self._measures: dict[tuple[object, ...], Measure | None] = {}
        self._targets: dict[object, str | None] = {}
        self._derivations = Derivations(convert, links.base)

    def read(self, resource: Resource, source: Any) -> None:
        """Take the value of an Observation, or keep it where it has to do with parts."""
        number, unit = _number(resource)
        if number is None:
            if "component" in resource:
                self._derivations.keep_parts(resource)
            return
        measure = _measure(resource["code"], self._measures)
        if measure is None or measure.system == COMPUTED:
            return
        value = Counted(measure, number, unit, resource, source)
        if "derivedFrom" in resource and self._derivations.keep_stored(value):
            return
        if resource.get("status") not in NOT_SEEN:
            self._add(value)

    def settled(self) -> list[Series]:
        """All series, what follows from parts among them."""
        for each in self._derivations.settled():
            if isinstance(each, Counted):
                self._add(each)
            else:
                self._series_of(each.measure, _site(each.resource)).left_out[each.why] += 1
        for series in self._series.values():
            _settle(series, self._convert)
        return sorted(self._series.values(), key=lambda series: (series.measure.name, series.key))

    def _series_of(self, measure: Measure, site: Resource | None) -> Series:
        key = (measure.system, measure.code, key_of(site))
        series = self._series.get(key)
        if series is None:
            series = self._series[key] = Series(measure, site)
        return series

    def _add(self, value: Counted) -> None:
        measure, number, unit, resource, source = value
        at = moment_in(resource, "effective")
        link = self._links.of(resource)
        placed = place(explicit_phase(resource), at, link, self._times)
        site = _site(resource) if "bodySite" in resource else None
        series = self._series_of(measure, site)
        if placed == "undated" or at is None:
            series.left_out["without a day"] += link != "other"
        elif not math.isfinite(number) or abs(number) > _GREATEST:
            series.left_out["no plausible number"] += 1
        else:
            links = self._links
            series.values.append(
                Value(
                    f"Observation/{resource['id']}",
                    at,
                    number,
                    unit,
                    placed,
                    self._target(resource.get("encounter")),
                    self._target(resource.get("device")),
                    _text(resource["method"]) if "method" in resource else None,
                    links.other_plan(resource) if placed == "elsewhere" else None,
                    source,
                )
            )

    def _target(self, reference: Resource | None) -> str | None:
        """What is referred to; the same sessions and devices come again and again."""
        text = reference.get("reference") if reference else None
        if text is None:
            return None
        if text not in self._targets:
            self._targets[text] = target(reference, self._links.base)
        return self._targets[text]


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
    return first_coding(resource.get("bodySite"), REGIONS)


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
