"""Under which values can a resource be found?

`extract` gives the rows of the search tables for one resource, by every search parameter of its
type; `fold` and `clip` bring a value that is searched for into the form of the rows.

Composite parameters have no rows: they are answered from the rows of their components with an
equal `grp`. `_id` and `_lastUpdated` have none either: the resource table knows them. An identifier
within a reference is a token under `<code>:identifier`. `_text` and `_content` have words instead.
"""

from __future__ import annotations

from typing import Any

from service.errors import Invalid
from service.standard.dated_codes import add_dated
from service.standard.definitions import definitions
from service.standard.extraction.full_text import marked_words
from service.standard.extraction.references import target
from service.standard.extraction.rows import SearchValues
from service.standard.extraction.text import clip, fold
from service.standard.extraction.walks import walk_of

__all__ = ["SECURITY_CONTEXT", "SearchValues", "clip", "extract", "fold"]

SECURITY_CONTEXT = -1
"""Stands for a parameter in the row of Binary.securityContext."""


def extract(resource: dict[str, Any], base: str = "") -> SearchValues:
    """Search rows of a valid resource of one of our types.

    `base` is the URL of the service with a slash at its end: absolute references below it count
    as local. Raises Invalid where the resource is not shaped as R4 says.
    """
    rows = SearchValues(base=base)
    type_ = resource["resourceType"]
    walk = walk_of(type_)
    try:
        for name, value in resource.items():
            write = walk.elements.get(name)
            if write is not None:
                write(value, rows)
        for write in walk.whole:
            write(resource, rows)
    except (AttributeError, TypeError, ValueError, ArithmeticError) as cause:
        raise Invalid(f"{type_} is not shaped as R4 says: {cause}", expression=type_) from cause
    _distinct(rows)
    rows.words = marked_words(resource)
    add_dated(type_, rows)
    if type_ == "Binary":
        _security_context(resource, rows)
    elif type_ == "DocumentReference":
        _attached(rows)
    _patients(resource, walk.compartment, rows)
    return rows


def _security_context(resource: dict[str, Any], rows: SearchValues) -> None:
    """What a Binary is to be guarded like (R4, Binary.securityContext); no parameter finds it."""
    found = target(resource.get("securityContext", {}).get("reference", "#"), rows.base)
    if found is not None:
        rows.references.append((SECURITY_CONTEXT, found[0], found[1], 0))


def _attached(rows: SearchValues) -> None:
    """An attachment that is led to by its whole URL is found as `Binary/[id]` too: sight, claims
    and erasing go by that."""
    location = definitions().parameter_number("DocumentReference", "location")
    below = f"{rows.base}Binary/"
    rows.uris += [
        (param, value.removeprefix(rows.base), grp)
        for param, value, grp in rows.uris
        if rows.base and param == location and value.startswith(below)
    ]


def _distinct(rows: SearchValues) -> None:
    rows.tokens = list(dict.fromkeys(rows.tokens))
    rows.references = list(dict.fromkeys(rows.references))
    rows.dates = list(dict.fromkeys(rows.dates))
    rows.quantities = list(dict.fromkeys(rows.quantities))
    rows.strings = list(dict.fromkeys(rows.strings))
    rows.uris = list(dict.fromkeys(rows.uris))


def _patients(resource: dict[str, Any], compartment: frozenset[int], rows: SearchValues) -> None:
    """The compartments the resource lies in, by CompartmentDefinition/patient; a Patient lies in
    its own."""
    if not compartment:
        return
    found = {
        id_
        for param, type_, id_, _ in rows.references
        if type_ == "Patient" and param in compartment
    }
    if resource["resourceType"] == "Patient" and "id" in resource:
        found.add(resource["id"])
    rows.patients = sorted(found)
