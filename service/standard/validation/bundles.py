"""Do the entries of a Bundle fit together? (R4, Bundle: Bundle.entry.fullUrl, Resource URL and
Uniqueness rules, References, Documents; beside the rules bdl-1 to bdl-12)
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from service.standard.validation.findings import Context, Place, shown

_REQUESTS = frozenset(("batch", "transaction", "batch-response", "transaction-response"))
_REST = re.compile(r"(https?://.+/)([A-Za-z]+)/([A-Za-z0-9\-.]{1,64})")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:.+")
_IN_DOCUMENT = (
    "subject",
    "encounter",
    "author",
    "custodian",
    "attester.party",
    "event.detail",
)
_IN_SECTION = ("author", "focus", "entry")


def entries_of(bundle: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The resources of the entries by fullUrl."""
    return {
        entry["fullUrl"]: entry["resource"]
        for _, entry in _entries(bundle)
        if isinstance(entry.get("fullUrl"), str) and isinstance(entry.get("resource"), dict)
    }


def check_bundle(bundle: dict[str, Any], place: Place, context: Context) -> None:
    """Every entry has the fullUrl it needs; a document holds what its Composition names."""
    kind = bundle.get("type")
    for number, entry in _entries(bundle):
        at = Place(Place(place, "entry", number), "fullUrl")
        url, resource = entry.get("fullUrl"), entry.get("resource")
        if isinstance(url, str):
            _check_full_url(url, resource, at, context)
        elif isinstance(resource, dict) and _needs_full_url(kind, entry, resource):
            context.add("required", f"An entry of a {kind} must have a fullUrl", at)
    if kind in ("document", "message"):
        first = next((entry for number, entry in _entries(bundle) if number == 0), {})
        if "resource" not in first:
            context.add("required", f"A {kind} must have a first entry with a resource", place)
        elif kind == "document":
            _check_document(bundle, first, place, context)


def _entries(bundle: dict[str, Any]) -> Iterator[tuple[int, dict[str, Any]]]:
    entries = bundle.get("entry")
    for number, entry in enumerate(entries if isinstance(entries, list) else ()):
        if isinstance(entry, dict):
            yield number, entry


def _needs_full_url(kind: Any, entry: dict[str, Any], resource: dict[str, Any]) -> bool:
    """All but requests and their answers, and resources that an operation did not identify."""
    if not isinstance(kind, str) or kind in _REQUESTS:
        return False
    return kind in ("document", "message") or ("id" in resource and "_fullUrl" not in entry)


def _check_full_url(url: str, resource: Any, place: Place, context: Context) -> None:
    if _ABSOLUTE.fullmatch(url) is None:
        context.add("value", f"{shown(url)} is no absolute URL, as fullUrl must be", place)
        return
    match = _REST.fullmatch(url)
    if match is None or not isinstance(resource, dict) or "id" not in resource:
        return
    kind, identity = resource.get("resourceType"), resource["id"]
    if match[2] == kind and match[3] != identity:
        text = f"fullUrl ends with {shown(match[3])}, but the resource has the id {shown(identity)}"
        context.add("value", text, place)


def _check_document(
    bundle: dict[str, Any], first: dict[str, Any], place: Place, context: Context
) -> None:
    composition = first.get("resource")
    if not isinstance(composition, dict) or composition.get("resourceType") != "Composition":
        return
    at = Place(Place(place, "entry", 0), "resource")
    base = _REST.fullmatch(str(first.get("fullUrl")))
    held = set(context.entries) | set(_identities(bundle))
    for reference, where in _named(composition, at):
        if not _is_in(reference, base[1] if base else "", held):
            text = f"{shown(reference)} is not in the document, as it must be"
            context.add("not-found", text, where)


def _named(composition: dict[str, Any], place: Place) -> Iterator[tuple[str, Place]]:
    for path in _IN_DOCUMENT:
        yield from _references(composition, path.split("."), place)
    yield from _in_sections(composition, place)


def _in_sections(holder: dict[str, Any], place: Place) -> Iterator[tuple[str, Place]]:
    for section, at in _children(holder, "section", place):
        for name in _IN_SECTION:
            yield from _references(section, [name], at)
        yield from _in_sections(section, at)


def _references(
    holder: dict[str, Any], path: list[str], place: Place
) -> Iterator[tuple[str, Place]]:
    for child, at in _children(holder, path[0], place):
        if path[1:]:
            yield from _references(child, path[1:], at)
        elif isinstance(child.get("reference"), str):
            yield child["reference"], at


def _children(
    holder: dict[str, Any], name: str, place: Place
) -> Iterator[tuple[dict[str, Any], Place]]:
    value = holder.get(name)
    if isinstance(value, dict):
        yield value, Place(place, name)
    for number, each in enumerate(value if isinstance(value, list) else ()):
        if isinstance(each, dict):
            yield each, Place(place, name, number)


def _identities(bundle: dict[str, Any]) -> Iterator[str]:
    for _, entry in _entries(bundle):
        resource = entry.get("resource")
        if isinstance(resource, dict):
            yield f"{resource.get('resourceType')}/{resource.get('id')}"


def _is_in(reference: str, base: str, held: set[str]) -> bool:
    """By fullUrl; a relative one also by type and id, where fullUrls have another base."""
    literal = reference.partition("/_history/")[0]
    return reference.startswith("#") or literal in held or f"{base}{literal}" in held
