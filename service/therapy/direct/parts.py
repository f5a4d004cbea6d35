"""Which measures follow from an Observation whose components are the parts of a trial?

Which parts give which measure by which formula: mappings/measures/parts.json. Nothing here knows a
single measure.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.therapy.direct.formulas import FORMULAS, Curve, Given
from service.therapy.facts import facts
from service.therapy.measures import COMPUTED, MEASURES, Measure, known_measures

Resource = dict[str, Any]
Row = Mapping[str, Any]
Convert = Callable[[float, str, str], float | None]

_MOST_SAMPLES = 1_000_000


@dataclass(frozen=True, slots=True)
class Beside:
    """A further number of the same trial, told with the measure."""

    system: str
    code: str
    number: float
    unit: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """A measure that follows from the parts."""

    measure: Measure
    number: float
    beside: tuple[Beside, ...]
    method: str
    note: str
    coded: tuple[str, Resource] | None = None
    """(code of the component, the Coding that the number stands for)."""


class PartsError(ValueError):
    """Parts that give nothing; `place` is the element at fault, below the Observation."""

    def __init__(self, place: str, text: str) -> None:
        super().__init__(text)
        self.place = place


@dataclass(slots=True)
class _Read:
    numbers: dict[str, list[float | None]] = field(default_factory=dict)
    curves: dict[str, Curve] = field(default_factory=dict)


@functools.cache
def rows() -> Mapping[str, Row]:
    """What is computed from parts, by the code of what was done."""
    return {row["of"]: row for row in facts("parts")["rows"]}


def row_of(resource: Resource) -> Row | None:
    """The row for an Observation; None where its code has no parts."""
    for coding in resource["code"].get("coding", ()):
        if coding.get("system") == MEASURES and coding.get("code") in rows():
            return rows()[coding["code"]]
    return None


def outcomes(row: Row, resource: Resource, convert: Convert) -> list[Outcome]:
    """The measures, at least one. Raises PartsError where parts are missing or contradict."""
    read = _components(row, resource, convert)
    return computed(row, Given(read.numbers, read.curves, row.get("fixed", {})))


def computed(row: Row, given: Given) -> list[Outcome]:
    """The measures that follow from parts. Raises PartsError."""
    for part in row["parts"]:
        name, most = part["name"], part["max"]
        count = len(given.all(name)) + (name in given.curves)
        if count < part["min"]:
            raise PartsError("component", f"{name} ({part['code']}) is missing")
        if most is not None and count > most:
            raise PartsError("component", f"{name} ({part['code']}) stands there {count} times")
    try:
        found = FORMULAS[row["formula"]](given)
    except ValueError as error:
        raise PartsError("component", str(error)) from None
    made = [
        _outcome(row, gives, found.numbers, found.remarks)
        for gives in row["gives"]
        if math.isfinite(found.numbers.get(gives["result"], math.nan))
    ]
    if not made:
        why = "; ".join(found.remarks) or "no part has a number"
        raise PartsError("component", f"nothing can be computed: {why}")
    return made


def _outcome(
    row: Row, gives: Row, numbers: Mapping[str, float], remarks: tuple[str, ...]
) -> Outcome:
    measure = known_measures()[MEASURES, gives["measure"]]
    beside = tuple(
        _beside(code, numbers[name], measure)
        for name, code in gives["beside"].items()
        if name in numbers
    )
    number = numbers[gives["result"]]
    coded = gives.get("coded")
    stands_for = (coded["code"], coded["values"][f"{number:g}"]) if coded else None
    note = " ".join([*(f"{r[0].upper()}{r[1:]}." for r in remarks), gives.get("note", "")]).strip()
    method = f"{row['source']} ({row['status']})"
    return Outcome(measure, number, beside, method, note, stands_for)


def _beside(code: str, number: float, measure: Measure) -> Beside:
    own = known_measures().get((MEASURES, code))
    if own is None:
        return Beside(COMPUTED, code, number, measure.unit or "")
    return Beside(MEASURES, code, number, own.unit or "")


def _components(row: Row, resource: Resource, convert: Convert) -> _Read:
    by_code = {part["code"]: part for part in row["parts"]}
    found = _Read()
    for place, component in enumerate(resource.get("component", ())):
        codings = component.get("code", {}).get("coding", ())
        code = next((c.get("code") for c in codings if c.get("system") == MEASURES), None)
        part = by_code.get(code)
        if part is None:
            continue
        where = f"component[{place}]"
        unit = known_measures()[MEASURES, part["code"]].unit or ""
        if part.get("sampled"):
            if part["name"] in found.curves:
                raise PartsError(where, f"{part['name']} ({code}) stands there twice")
            found.curves[part["name"]] = _curve(component, unit, where, convert)
        else:
            number = _number(component, unit, where, convert)
            found.numbers.setdefault(part["name"], []).append(number)
    return found


def _number(component: Resource, unit: str, where: str, convert: Convert) -> float | None:
    if "valueInteger" in component:
        return float(component["valueInteger"])
    quantity = component.get("valueQuantity")
    if quantity is None or quantity.get("value") is None:
        return None
    if quantity.get("comparator"):
        raise PartsError(f"{where}.valueQuantity.comparator", "a part is an exact number")
    place = f"{where}.valueQuantity"
    return _converted(float(quantity["value"]), quantity, unit, place, convert)


def _converted(number: float, quantity: Resource, unit: str, where: str, convert: Convert) -> float:
    sent = quantity.get("code") or quantity.get("unit") or ""
    found = number if sent in ("", unit) else convert(number, sent, unit)
    if found is None or not math.isfinite(found):
        raise PartsError(where, f"{sent[:40]!r} cannot be {unit}")
    return found


def _curve(component: Resource, unit: str, where: str, convert: Convert) -> Curve:
    """SampledData as (seconds, value); gaps are left out. R4, datatypes.html#SampledData."""
    data = component.get("valueSampledData")
    place = f"{where}.valueSampledData"
    if data is None:
        raise PartsError(where, "a curve is sent as SampledData")
    if data.get("dimensions") != 1:
        raise PartsError(f"{place}.dimensions", "a curve has one dimension")
    origin, step = data.get("origin", {}), float(data.get("period", 0)) / 1000
    if step <= 0:
        raise PartsError(f"{place}.period", "the samples need a time between them")
    base, factor = float(origin.get("value", 0)), float(data.get("factor", 1))
    found = []
    samples = str(data.get("data", "")).split()
    if len(samples) > _MOST_SAMPLES:
        raise PartsError(f"{place}.data", f"more than {_MOST_SAMPLES} samples")
    for number, text in enumerate(samples):
        if text in ("E", "L", "U"):
            continue
        try:
            value = base + factor * float(text)
        except ValueError:
            raise PartsError(f"{place}.data", f"{text[:40]!r} is no sample") from None
        found.append((number * step, _converted(value, origin, unit, f"{place}.origin", convert)))
    return found
