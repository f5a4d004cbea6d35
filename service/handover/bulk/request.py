"""What was asked of an export, as it is kept with it?"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from service.caller import Caller
from service.errors import Issue
from service.standard.definitions import definitions

Level = Literal["system", "patient", "group"]
Associated = Literal["", "latest", "relevant"]

DIRECTORY = ("Practitioner", "PractitionerRole", "Organization", "Location")
"""Shared types that go with clients' records, so that no reference to staff or place is lost."""


@dataclass(frozen=True, slots=True)
class BulkRequest:
    """The request. Times in microseconds since 1970.

    `url` is the whole of it as asked; `base` the FHIR base URL. `types` are all that are wanted.
    `members`: the records of the noted clients are meant, not everybody's. `filters` are searches
    as `Type?…`, `elements` as they were given. `associated`: which Provenance goes with what is
    exported, empty where it is a type like others. `ignored` is told in a file of its own.
    `separate`: the state of the export goes into a header of its own. `by` is who asked.
    """

    url: str
    base: str
    level: Level
    types: tuple[str, ...]
    by: Caller
    members: bool = False
    since: int | None = None
    until: int | None = None
    filters: tuple[str, ...] = ()
    elements: tuple[str, ...] = ()
    associated: Associated = ""
    ignored: tuple[Issue, ...] = ()
    separate: bool = False

    def elements_of(self, resource_type: str) -> tuple[str, ...]:
        """The elements wanted of a type; none where it goes as a whole."""
        named = [name.rpartition(".") for name in self.elements]
        return tuple(element for kind, _, element in named if kind in ("", resource_type))

    def to_text(self) -> str:
        """As it is kept."""
        told = {field.name: getattr(self, field.name) for field in fields(self)}
        told["by"] = {
            name: sorted(value) if isinstance(value, frozenset) else value
            for name, value in asdict(self.by).items()
        }
        told["ignored"] = [asdict(issue) for issue in self.ignored]
        return json.dumps(told)


def request_from(text: str) -> BulkRequest:
    """The request as it was kept."""
    told: dict[str, Any] = json.loads(text)
    for name, value in told.items():
        if isinstance(value, list):
            told[name] = tuple(value)
    told["ignored"] = tuple(Issue(**issue) for issue in told["ignored"])
    by: dict[str, Any] = {
        name: frozenset(value) if isinstance(value, list) else value
        for name, value in told["by"].items()
    }
    told["by"] = Caller(**by)
    return BulkRequest(**told)


def in_records(resource_type: str) -> bool:
    """Whether resources of this type lie in clients' records, by CompartmentDefinition/patient."""
    return bool(definitions().compartment(resource_type))


def types_of(level: Level, wanted: tuple[str, ...], all_types: tuple[str, ...]) -> tuple[str, ...]:
    """The types that an export at this level holds; `wanted` is empty where all may come."""
    if wanted:
        return tuple(kind for kind in all_types if kind in wanted)
    if level == "system":
        return all_types
    return tuple(kind for kind in all_types if in_records(kind) or kind in DIRECTORY)
