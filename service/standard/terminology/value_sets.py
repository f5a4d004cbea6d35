"""What does a value set ask for? Its definition, taken apart.

R4: http://hl7.org/fhir/R4/valueset.html, ValueSet.compose. A value set without a definition but
with an expansion is the list of codes in that expansion.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.errors import Invalid
from service.standard.terminology.filters import Rule


class Listed(NamedTuple):
    """A code that is named one by one, with what the value set calls it."""

    code: str
    display: str | None
    designations: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """An include or exclude: what its system and all its value sets have in common.

    `listed` is None where codes are not named one by one.
    """

    system: str | None
    version: str | None
    listed: tuple[Listed, ...] | None
    rules: tuple[Rule, ...]
    value_sets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ValueSet:
    """A value set. `inactive` is what it says of inactive codes: False leaves them out."""

    url: str
    version: str | None
    include: tuple[Part, ...]
    exclude: tuple[Part, ...]
    inactive: bool | None
    resource: Mapping[str, Any]


def read_value_set(resource: Mapping[str, Any]) -> ValueSet:
    """The value set that a ValueSet resource defines. Raises Invalid where it defines none."""
    compose, expansion = resource.get("compose"), resource.get("expansion")
    url = resource.get("url") or ""
    inactive = None
    if isinstance(compose, Mapping):
        include = tuple(_part(part) for part in compose.get("include") or ())
        exclude = tuple(_part(part) for part in compose.get("exclude") or ())
        inactive = compose.get("inactive")
    elif isinstance(expansion, Mapping):
        include, exclude = tuple(_of_expansion(expansion)), ()
    else:
        raise Invalid(
            "The value set has neither a definition (compose) nor an expansion",
            code="required",
            expression="ValueSet.compose",
        )
    return ValueSet(url, resource.get("version"), include, exclude, inactive, resource)


def all_of_system(url: str, system: str, version: str | None) -> ValueSet:
    """The value set of all codes of a system, which CodeSystem.valueSet names."""
    resource = {
        "resourceType": "ValueSet",
        "url": url,
        "status": "active",
        "compose": {"include": [{"system": system}]},
    }
    return ValueSet(url, version, (Part(system, None, None, (), ()),), (), None, resource)


def _part(part: Mapping[str, Any]) -> Part:
    concepts = part.get("concept")
    return Part(
        part.get("system"),
        part.get("version"),
        None if not concepts else tuple(_listed(concept) for concept in concepts),
        tuple(
            Rule(str(rule.get("property")), str(rule.get("op")), str(rule.get("value")))
            for rule in part.get("filter") or ()
        ),
        tuple(part.get("valueSet") or ()),
    )


def _listed(concept: Mapping[str, Any]) -> Listed:
    return Listed(
        str(concept.get("code")),
        concept.get("display"),
        tuple(each for each in concept.get("designation") or () if isinstance(each, Mapping)),
    )


def _of_expansion(expansion: Mapping[str, Any]) -> Iterator[Part]:
    waiting = list(reversed(expansion.get("contains") or ()))
    while waiting:
        entry = waiting.pop()
        if entry.get("system") and entry.get("code") and entry.get("abstract") is not True:
            yield Part(entry["system"], entry.get("version"), (_listed(entry),), (), ())
        waiting += reversed(entry.get("contains") or ())
