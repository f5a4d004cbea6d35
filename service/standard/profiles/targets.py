"""Does a reference lead to a type that a profile allows?

The target is not fetched: only its type is looked at, not whether it keeps to a profile itself.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from service.standard.profiles.model import CORE
from service.standard.validation.references import known_types

_REFERENCE = re.compile(
    r"(?:^|/)(?P<type>[A-Z][A-Za-z]+)(?:/[A-Za-z0-9\-.]{1,64}(?:/_history/[^/]+)?|\?.*)$"
)


def target_type(reference: Any, resource: dict[str, Any]) -> str | None:
    """The type of what a Reference leads to; None where it cannot be told."""
    if not isinstance(reference, dict):
        return None
    text = reference.get("reference")
    if isinstance(text, str) and text.startswith("#"):
        for held in resource.get("contained") or ():
            if held.get("id") == text[1:]:
                return str(held.get("resourceType"))
        return resource.get("resourceType") if text == "#" else None
    match = _REFERENCE.search(text) if isinstance(text, str) else None
    if match is not None:
        return match["type"]
    said = reference.get("type")
    return said if isinstance(said, str) else None


def types_by_urn(bundle: dict[str, Any]) -> dict[str, str]:
    """The type of each entry of a Bundle that others can only refer to by a `urn:`."""
    return {
        entry["fullUrl"]: str(entry["resource"].get("resourceType"))
        for entry in bundle.get("entry") or ()
        if isinstance(entry, dict)
        and str(entry.get("fullUrl", "")).startswith("urn:")
        and isinstance(entry.get("resource"), dict)
    }


def typed(value: Any, types: dict[str, str]) -> Any:
    """A copy in which References by `urn:` say the type of the entry that they lead to."""
    if isinstance(value, list):
        return [typed(each, types) for each in value]
    if not isinstance(value, dict):
        return value
    found = {name: typed(each, types) for name, each in value.items()}
    target = found.get("reference")
    if isinstance(target, str) and target in types:
        found.setdefault("type", types[target])
    return found


def leads_elsewhere(reference: Any, targets: Sequence[str], resource: dict[str, Any]) -> str | None:
    """The type that a reference leads to, where it is none of the targets.

    Where a target is a profile itself (or any resource) any type passes here.
    """
    found = target_type(reference, resource)
    allowed = {target.removeprefix(CORE) for target in targets}
    if found is None or not allowed <= known_types():
        return None
    return None if found in allowed else found
