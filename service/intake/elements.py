"""How are the parts of a session's resources written? Identities, references, doses, quantities.

Every resource of a session has an id that follows from the session's number and its own key, so
the same note always speaks of the same resources.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from service.intake.models import Clinic
from service.intake.tables import EXTENSION, UCUM
from service.standard.codec import Number

Json = dict[str, Any]

HL7 = "http://terminology.hl7.org/CodeSystem/"
_UNSAFE = re.compile(r"[^A-Za-z0-9.~-]+")
_SYMBOLS = {"{score}": "points", "{count}": "times", "/s": "per second", "/min": "per minute"}
_LONGEST = 80


@dataclass(frozen=True, slots=True)
class Session:
    """The key of a session, and the identities that follow from it."""

    system: str
    value: str
    clinic: Clinic

    def id(self, resource_type: str, key: str = "") -> str:
        """The id of a resource of this session."""
        return str(uuid5(NAMESPACE_URL, f"{self.system}|{self.value}|{resource_type}|{key}"))

    def reference(self, resource_type: str, key: str = "") -> Json:
        """A Reference to a resource of this session."""
        return {"reference": f"{resource_type}/{self.id(resource_type, key)}"}

    def start(self, resource_type: str, kind: str, key: str = "") -> Json:
        """A resource of this session with its id and the clinic's number for it."""
        value = f"{self.value}-{_shown(key)}" if key else self.value
        base = self.clinic.identifiers
        system = f"{base}{kind}" if base else self.system
        if not key and resource_type == "Encounter":
            system = self.system
        identifier = {"system": system, "value": value}
        return {
            "resourceType": resource_type,
            "id": self.id(resource_type, key),
            "identifier": [identifier],
        }


def _shown(key: str) -> str:
    """A key as the end of a number: short, without characters that a number should not have."""
    text = _UNSAFE.sub("-", key.removeprefix("id:")).strip("-")
    if text == key.removeprefix("id:").strip("-") and len(text) <= _LONGEST:
        return text
    if len(text) <= _LONGEST and "|" in key and not _UNSAFE.search(key.replace("|", "")):
        return text
    return f"{text[:_LONGEST]}-{hashlib.sha256(key.encode()).hexdigest()[:8]}"


def hl7(system: str, code: str, display: str | None = None) -> Json:
    """A Coding of a code system of HL7."""
    return {"system": HL7 + system, "code": code} | ({"display": display} if display else {})


def quantity(value: Number | int, unit: str) -> Json:
    """A Quantity with a UCUM unit."""
    return {"value": value, "unit": _SYMBOLS.get(unit, unit), "system": UCUM, "code": unit}


def period(start: str | None, end: str | None) -> Json:
    """A Period of what is known."""
    return {name: at for name, at in (("start", start), ("end", end)) if at}


def extension(name: str, **value: Any) -> Json:
    """One of our extensions with a value."""
    return {"url": EXTENSION + name, **value}


def dose(item: Mapping[str, Any], side_order: Json | None) -> Json | None:
    """The dose as delivered (mappings/profiles/dose.json), or None where none was noted."""
    parts: list[Json] = []

    def add(name: str, value_name: str, value: Any) -> None:
        if value is not None:
            parts.append({"url": name, value_name: value})

    add("sets", "valuePositiveInt", item.get("sets"))
    add("strokesPerSide", "valuePositiveInt", item.get("strokesPerSide"))
    add("sideOrder", "valueCoding", side_order)
    for name in ("strokesLeft", "strokesRight", "trials", "repetitions"):
        add(name, "valueUnsignedInt", item.get(name))
    for name, unit in (("rest", "s"), ("minutes", "min")):
        if name in item:
            add(name, "valueDuration", quantity(item[name], unit))
    return {"url": EXTENSION + "dose", "extension": parts} if parts else None
