"""What does a reference lead to? FHIR R4, Search, section reference; References, section Literal
References."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from typing import Any

from service.standard.definitions import Element
from service.standard.extraction.rows import SearchValues, Use, Writer
from service.standard.extraction.text import clip
from service.standard.extraction.tokens import identifier, write_text

_ID = r"[A-Za-z0-9\-.]{1,64}"
_LOCAL = re.compile(rf"([A-Z][A-Za-z]{{1,63}})/({_ID})(?:/_history/{_ID})?")
_REMOTE = re.compile(rf"https?://.*/([A-Z][A-Za-z]{{1,63}})/{_ID}(?:/_history/{_ID})?")
_MODEL = "http://hl7.org/fhir/StructureDefinition/"


@functools.lru_cache(maxsize=8192)
def target(text: str, base: str = "") -> tuple[str, str, str] | None:
    """(type, id, type as far as it shows) of a literal reference.

    A URL of another place has an empty type and the URL as id; the third tells what its path
    says. None for a contained resource: it is no resource of its own.
    """
    if text.startswith("#"):
        return None
    local = text.removeprefix(base) if base else text
    match = _LOCAL.fullmatch(local)
    if match is not None:
        return match[1], match[2], match[1]
    remote = _REMOTE.fullmatch(text)
    return "", clip(text), remote[1] if remote is not None else ""


def _reference(uses: tuple[Use, ...], element: Element) -> Writer:
    write_identifier = {use: identifier((Use(use.twin),)) for use in uses}

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        literal = value.get("reference")
        found = target(literal, rows.base) if literal else None
        logical = value.get("identifier")
        shown = found[2] if found else ""
        if not shown and "type" in value:
            shown = value["type"].removeprefix(_MODEL)
        for use in uses:
            if use.only and use.only != shown:
                continue
            if found is not None:
                rows.references.append((use.param, found[0], found[1], grp))
            if logical is not None:
                write_identifier[use](logical, grp, rows)
            elif found is None:
                # Words or a contained resource: nothing to search for, but not missing either.
                write_text([use.param], value.get("display") or literal, grp, rows)

    return write


def _canonical(uses: tuple[Use, ...], element: Element) -> Writer:
    """A canonical URL; with a version it is found with and without it."""

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        found = target(value)
        if found is None:
            return
        url, bar, _ = value.partition("|")
        for use in uses:
            rows.references.append((use.param, found[0], found[1], grp))
            if bar:
                rows.references.append((use.param, "", clip(url), grp))

    return write


REFERENCES: dict[str, Callable[[tuple[Use, ...], Element], Writer]] = {
    "Reference": _reference,
    "canonical": _canonical,
    "uri": _canonical,
}
