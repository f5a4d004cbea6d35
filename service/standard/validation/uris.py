"""Which URIs must be absolute? (R4: Coding.system, Identifier.system, Extension.url)

A system names something in the whole world. Only the parts of a complex extension may go by a
name that is known within it alone (R4, Extensibility, section Extension: url).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.standard.validation.findings import Context, Place, shown

_EXTENSIONS = ("extension", "modifierExtension")


def check_system(value: str, place: Place, context: Context) -> None:
    """The system of a coding or identifier."""
    if ":" not in value:
        context.add("value", f"{shown(value)} is no absolute URI, as system must be", place)


def check_extension_url(value: str, place: Place, context: Context) -> None:
    """The URL of an extension that is not part of another."""
    holder = place.parent.parent if place.parent else None
    if ":" not in value and (holder is None or holder.name not in _EXTENSIONS):
        context.add("value", f"{shown(value)} is no absolute URL, as Extension.url must be", place)


ABSOLUTE: dict[str, Callable[[Any, Place, Context], None]] = {
    "Coding.system": check_system,
    "Identifier.system": check_system,
    "Extension.url": check_extension_url,
}
