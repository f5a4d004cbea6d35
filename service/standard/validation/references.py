"""Does a reference lead where the element allows? (R4, References, sections Literal References
and Contained Resources)

The target itself is not fetched: what can be told is the form of the URL, the type that it or
Reference.type names, and the target's type where it is contained or in the same Bundle.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from service.standard.definitions import ANY, Element, definitions
from service.standard.validation.findings import Context, Place, shown

Check = Callable[[Any, Place, Context], None]

_TYPES_SYSTEM = "http://hl7.org/fhir/resource-types"
_STRUCTURES = "http://hl7.org/fhir/StructureDefinition/"
_RELATIVE = re.compile(r"([A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/([A-Za-z0-9\-.]{1,64}))?")
_URNS = ("urn:uuid:", "urn:oid:")
_SEARCH = re.compile(r"([A-Za-z]+)\?.+")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:.+")
_REST = re.compile(rf"https?://.+/{_RELATIVE.pattern}")


def known_types() -> frozenset[str]:
    """Every type of resource that R4 has, without the two abstract ones."""
    return _KNOWN


_ALL_TYPES = definitions().binding("http://hl7.org/fhir/ValueSet/all-types") or {}
_ABSTRACT = {"Resource", "DomainResource"}
_KNOWN = frozenset(
    code for code, system in _ALL_TYPES.items() if system == _TYPES_SYSTEM and code not in _ABSTRACT
)


def reference_checks(element: Element) -> tuple[Check, ...]:
    """What a Reference in this element must keep to."""
    targets = frozenset(element.targets)
    allowed = _KNOWN if ANY in targets or not targets else targets
    return (_reference_check(allowed),)


def canonical_checks(element: Element) -> tuple[Check, ...]:
    """A canonical is absolute, or the fragment of a contained resource."""
    return (_check_canonical,)


def _reference_check(allowed: frozenset[str]) -> Check:
    def check(value: Any, place: Place, context: Context) -> None:
        said = _said_type(value, place, context)
        reference = value.get("reference")
        found = None
        if isinstance(reference, str):
            found = _target_type(reference, Place(place, "reference"), context)
        if said and found and said != found:
            text = f"Reference.type says {said}, the reference leads to {found}"
            context.add("value", text, place)
        target = found or said
        if target is not None and target not in allowed:
            expected = ", ".join(sorted(allowed))
            context.add("value", f"A reference to {target} is not allowed here: {expected}", place)

    return check


def _said_type(value: dict[str, Any], place: Place, context: Context) -> str | None:
    said = value.get("type")
    if not isinstance(said, str):
        return None
    name = said.removeprefix(_STRUCTURES)
    if name in _KNOWN:
        return name
    if ":" not in said:
        context.add("value", f"{shown(said)} is no type of resource", Place(place, "type"))
    return None


def _target_type(reference: str, place: Place, context: Context) -> str | None:
    """The type that the reference leads to, where it can be told."""
    if reference.startswith("#"):
        return _contained_type(reference, place, context)
    match = _RELATIVE.fullmatch(reference) or _SEARCH.fullmatch(reference)
    if match is not None and match[1] in _KNOWN:
        if match.re is _SEARCH and not _in_transaction(context):
            text = "A search in place of a reference is only allowed in a transaction"
            context.add("value", text, place)
        return match[1]
    if match is not None:
        context.add("value", f"{shown(match[1])} is no type of resource", place)
        return None
    if _ABSOLUTE.fullmatch(reference) is None:
        text = f"{shown(reference)} is no reference: [type]/[id] or an absolute URL is expected"
        context.add("value", text, place)
        return None
    return _absolute_type(reference, place, context)


def _contained_type(reference: str, place: Place, context: Context) -> str | None:
    if reference == "#":
        kind = context.root.get("resourceType")
        return kind if isinstance(kind, str) else None
    held = context.contained.get(reference[1:])
    if held is not None:
        kind = held.get("resourceType")
        return kind if isinstance(kind, str) and kind in _KNOWN else None
    context.add("not-found", f"No contained resource {shown(reference)} (ref-1)", place)
    return None


def _absolute_type(reference: str, place: Place, context: Context) -> str | None:
    entry = context.entries.get(reference)
    if entry is not None:
        kind = entry.get("resourceType")
        return kind if isinstance(kind, str) and kind in _KNOWN else None
    if context.bundle is not None and reference.startswith(_URNS):
        text = f"No entry of the Bundle has the fullUrl {shown(reference)}"
        context.add("not-found", text, place)
    match = _REST.fullmatch(reference)
    return match[1] if match is not None and match[1] in _KNOWN else None


def _in_transaction(context: Context) -> bool:
    return context.bundle is not None and context.bundle.get("type") == "transaction"


def _check_canonical(value: Any, place: Place, context: Context) -> None:
    if value.startswith("#"):
        if value[1:] and value[1:] not in context.contained:
            context.add("not-found", f"No contained resource {shown(value)}", place, "warning")
    elif _ABSOLUTE.fullmatch(value) is None:
        text = f"{shown(value)} is no absolute URL, as a canonical should be"
        context.add("value", text, place, "warning")
