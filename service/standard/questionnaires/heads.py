"""What do all Observations of a response take over from it, and what may they not?

Structured Data Capture 4.0, Observation-based extraction; R4, Observation, for the targets of its
references.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from service.errors import Issue
from service.standard.definitions import definitions
from service.standard.questionnaires.form import Json
from service.standard.registry import RESOURCE_TYPES

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d.*(Z|[+-]\d\d:\d\d)")


_TAKEN_OVER = {
    "subject": "subject",
    "encounter": "encounter",
    "basedOn": "basedOn",
    "partOf": "partOf",
    "author": "performer",
}


def head_of(response: Json, issues: list[Issue]) -> Json:
    """What every Observation of a response takes over from it."""
    is_amended = response["status"] == "amended"
    found: Json = {"resourceType": "Observation", "status": "amended" if is_amended else "final"}
    for source, name in _TAKEN_OVER.items():
        given = response.get(source) or []
        kept = [
            reference
            for reference in (given if isinstance(given, list) else [given])
            if _is_possible(response, source, name, reference, issues)
        ]
        if kept:
            found[name] = kept[0] if name in ("subject", "encounter") else kept
    if "subject" not in found:
        text = "The response does not say whose it is, nor do the Observations"
        issues.append(Issue("warning", "incomplete", text, "QuestionnaireResponse.subject"))
    authored = response.get("authored")
    if authored is None:
        text = "The response does not say when it was authored, so the Observations have no time"
        issues.append(Issue("warning", "incomplete", text, "QuestionnaireResponse.authored"))
        return found
    found["effectiveDateTime"] = authored
    return found | ({"issued": authored} if _INSTANT.fullmatch(authored) else {})


def _is_possible(
    response: Json, source: str, name: str, reference: Mapping[str, Any], issues: list[Issue]
) -> bool:
    """Whether the Observation may refer to it: a device is an author but no performer, and an
    Observation is part of a Procedure but of no Observation."""
    held = [f"#{each.get('id')}" for each in response.get("contained") or ()]
    if reference.get("reference") in held:
        text = f"{source} is contained in the response, so the Observations cannot refer to it"
        issues.append(Issue("warning", "not-supported", text, f"QuestionnaireResponse.{source}"))
        return False
    kind = _type_of(reference)
    return kind is None or kind in definitions().elements("Observation")[name].targets


def _type_of(reference: Mapping[str, Any]) -> str | None:
    literal = reference.get("reference")
    if isinstance(literal, str) and "/" in literal:
        kind = literal.partition("/_history/")[0].rpartition("/")[0].rpartition("/")[2]
        if kind in RESOURCE_TYPES:
            return kind
    named = reference.get("type")
    return named if isinstance(named, str) else None
