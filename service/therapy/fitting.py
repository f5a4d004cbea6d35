"""To what of the client must a plan be fitted? The weaker side, tone, and what else is set up.

`mappings/apply-parameters.json` says which values there are and which Observations tell them. What
is given comes before what is observed; the newest Observation on the part of the mouth that the
plan works on counts.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.data import mappings
from service.therapy.measures import OWN
from service.therapy.moments import moment_in
from service.therapy.references import EXTENSIONS, extension, named
from service.therapy.techniques import Code, codes_of

Resource = dict[str, Any]

_REGIONS = f"{OWN}oral-region"
_WHOLE = "mouth"
_SEEN = frozenset({"preliminary", "final", "amended", "corrected"})


@dataclass(frozen=True, slots=True)
class Parameter:
    """A value that `$apply` takes besides those of R4, and where it is looked for."""

    name: str
    description: str
    observed_as: Code
    values: Mapping[str, tuple[Resource, ...]]
    """Each value with its codings; the first one is what is written."""
    carried: str | None

    def value_of(self, concept: Resource | None) -> str | None:
        """The value that an answer stands for."""
        codes = set(codes_of(concept))
        for value, codings in self.values.items():
            if any((coding["system"], coding["code"]) in codes for coding in codings):
                return value
        return None


@dataclass(frozen=True, slots=True)
class Fit:
    """What a parameter came to; `source` says whence. Both None where it is not known."""

    parameter: Parameter
    value: str | None = None
    source: str | None = None

    @property
    def text(self) -> str:
        """What is known, in words."""
        if self.value is None:
            return f"{self.parameter.description}: not known here"
        return f"{self.parameter.description}: {self.value} ({self.source})"

    @property
    def extension(self) -> Resource | None:
        """What is written on an order that depends on it."""
        if self.value is None or self.parameter.carried is None:
            return None
        coding = self.parameter.values[self.value][0]
        concept = {"coding": [coding], "text": self.value}
        return {"url": self.parameter.carried, "valueCodeableConcept": concept}


@dataclass(frozen=True, slots=True)
class Making:
    """How plans are made here: extensions that go along (URL, how many; 0 is all), and defaults."""

    carried: Mapping[str, int]
    care_plan: Mapping[str, Any]


@functools.cache
def making() -> Making:
    """What is set up in `mappings/apply-parameters.json` for every plan."""
    content = _content()
    return Making(content["carried"], content["carePlan"])


@functools.cache
def parameters() -> tuple[Parameter, ...]:
    """What is set up in `mappings/apply-parameters.json`."""
    return tuple(
        Parameter(
            name,
            data["description"],
            (data["observation"]["system"], data["observation"]["code"]),
            {value: tuple(codings) for value, codings in data["values"].items()},
            data.get("carried"),
        )
        for name, data in _content()["parameters"].items()
    )


def fitted(
    given: Mapping[str, str], observations: Iterable[Resource], regions: Iterable[Code]
) -> list[Fit]:
    """Each parameter with its value; `regions` are the body sites that the plan works on."""
    seen = [each for each in observations if each.get("status") in _SEEN]
    parts = {_part_of(code) for system, code in regions if system == _REGIONS}
    return [_fit(parameter, given, seen, parts) for parameter in parameters()]


def depends_on_side(request: Resource) -> bool:
    """Whether the dose of an order names an order of sides."""
    dose = extension(request, f"{EXTENSIONS}dose") or {}
    return any(part.get("url") == "sideOrder" for part in dose.get("extension", ()))


def _fit(
    parameter: Parameter, given: Mapping[str, str], seen: list[Resource], parts: set[str]
) -> Fit:
    if parameter.name in given:
        return Fit(parameter, given[parameter.name], "as given")
    found = [
        (at.order, value, observation)
        for observation in seen
        if parameter.observed_as in codes_of(observation.get("code"))
        and _bears_on(observation.get("bodySite"), parts)
        and (value := parameter.value_of(observation.get("valueCodeableConcept")))
        and (at := moment_in(observation, "effective")) is not None
    ]
    if not found:
        return Fit(parameter)
    _, value, observation = max(found, key=lambda each: each[0])
    return Fit(parameter, value, named(observation))


def _bears_on(site: Resource | None, parts: set[str]) -> bool:
    """Whether an Observation at this site tells about a part that is worked on.

    Without a site it tells about all; at a site that is not ours nobody can say, so it does not.
    """
    if site is None:
        return True
    seen = {_part_of(code) for system, code in codes_of(site) if system == _REGIONS}
    return bool(seen & parts) or _WHOLE in seen or (bool(seen) and _WHOLE in parts)


def _part_of(region: str) -> str:
    """The part of the mouth that a region belongs to: lips, tongue, soft palate …"""
    parents = _parents()
    for _ in range(len(parents)):
        parent = parents.get(region)
        if parent is None or parent == _WHOLE:
            break
        region = parent
    return region


@functools.cache
def _content() -> Mapping[str, Any]:
    found: Mapping[str, Any] = json.loads(mappings("apply-parameters.json").read_bytes())
    return found


@functools.cache
def _parents() -> Mapping[str, str]:
    content = json.loads(mappings("code-systems", "oral-region.json").read_bytes())
    return {
        concept["code"]: fact["valueCode"]
        for concept in content["concept"]
        for fact in concept.get("property", ())
        if fact["code"] == "parent"
    }
