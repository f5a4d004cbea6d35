"""How are the parts of a session's resources written? Codings, doses, quantities, periods."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.intake.tables import EXTENSION, UCUM
from service.standard.codec import Number

Json = dict[str, Any]

HL7 = "http://terminology.hl7.org/CodeSystem/"
_SYMBOLS = {"{score}": "points", "{count}": "times", "/s": "per second", "/min": "per minute"}


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
