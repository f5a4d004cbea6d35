"""What is this measure: its unit, which way is better, where its scale ends?

Our own from mappings/code-systems/measure.json (properties of the concepts), those of other code
systems from mappings/measures/standard-measures.json. A measure that is in neither is kept as it
comes, without a better direction.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import orjson

from service.data import mappings
from service.therapy.facts import facts

OWN = "https://hyoid.example/fhir/CodeSystem/"
MEASURES = OWN + "measure"
COMPUTED = OWN + "computed"

Direction = Literal["increase", "decrease"]
Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Measure:
    """A measure; `direction` is None where neither way is better or nobody has said."""

    system: str
    code: str
    display: str | None
    unit: str | None
    direction: Direction | None
    minimum: float | None = None
    maximum: float | None = None
    known: bool = True

    @property
    def name(self) -> str:
        """What to call it."""
        return self.display or self.code

    def coding(self) -> Resource:
        """Its Coding."""
        found = {"system": self.system, "code": self.code, "display": self.display}
        return {key: value for key, value in found.items() if value}

    def better_when(self, direction: Direction | None) -> Measure:
        """The same with a goal's direction where it has none of its own."""
        return self if self.direction or direction is None else replace(self, direction=direction)

    @property
    def worst(self) -> float | None:
        """The end of the scale that is worst, if the scale ends there."""
        if self.direction is None:
            return None
        return self.minimum if self.direction == "increase" else self.maximum


@functools.cache
def known_measures() -> Mapping[tuple[str, str], Measure]:
    """All known measures by (system, code)."""
    found: dict[tuple[str, str], Measure] = {}
    content = orjson.loads(mappings("code-systems", "measure.json").read_bytes())
    for concept in content["concept"]:
        told = {p["code"]: _value(p) for p in concept.get("property", ())}
        found[MEASURES, concept["code"]] = Measure(
            MEASURES,
            concept["code"],
            concept["display"],
            told.get("unit"),
            _direction(told.get("direction")),
            told.get("minimum"),
            told.get("maximum"),
        )
    for row in facts("standard-measures")["measures"]:
        first = row["codes"][0]
        measure = Measure(
            first["system"],
            first["code"],
            row["display"],
            row["unit"],
            _direction(row["direction"]),
            row["minimum"],
            row["maximum"],
        )
        found |= {(code["system"], code["code"]): measure for code in row["codes"]}
    return found


def measure_of(concept: Resource | None) -> Measure | None:
    """The measure that a CodeableConcept names: a known one before others; None without any."""
    codings = [
        (coding.get("system", ""), coding["code"], coding.get("display"))
        for coding in (concept or {}).get("coding", ())
        if isinstance(coding, dict) and isinstance(coding.get("code"), str)
    ]
    for system, code, _ in codings:
        if (system, code) in known_measures():
            return known_measures()[system, code]
    text = (concept or {}).get("text")
    if codings:
        system, code, display = codings[0]
        return Measure(system, code, display or text, None, None, known=False)
    return Measure("", text, text, None, None, known=False) if text else None


def _direction(code: object) -> Direction | None:
    if code == "increase":
        return "increase"
    return "decrease" if code == "decrease" else None


def _value(part: Resource) -> Any:
    return next(value for key, value in part.items() if key.startswith("value"))
