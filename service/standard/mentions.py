"""What do stored bytes refer to in this service? Found without decoding them.

FHIR R4, References, section Literal References.
"""

from __future__ import annotations

import re

from service.standard.extraction.references import target

Name = tuple[str, str]
"""A resource: (type, id)."""

_REFERENCE = re.compile(rb'"reference":"([^"\\]+)"')
"""In stored bytes: written by ourselves without blanks, and a quote inside a text is escaped, so
this cannot match within one."""


def referred(body: bytes, base: str = "") -> list[Name]:
    """What stored bytes refer to in this service, in the order of mention, repeats included.

    `base` is the FHIR base URL, below which absolute references are local.
    """
    names = (local_name(match[1].decode(), base) for match in _REFERENCE.finditer(body))
    return [name for name in names if name is not None]


def local_name(reference: str, base: str = "") -> Name | None:
    """(type, id) of a literal reference to this service, of any version; None for any other."""
    found = target(reference, f"{base}/" if base else "")
    return found[:2] if found is not None and found[0] else None
