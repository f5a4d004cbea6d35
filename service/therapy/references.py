"""What does a resource point to, and what is it called? Small readings of R4 datatypes.

Everything here takes what may stand in a stored, valid resource, or nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.therapy.measures import OWN

Resource = dict[str, Any]

TECHNIQUES = OWN + "technique"
EXTENSIONS = "https://hyoid.example/fhir/StructureDefinition/"


def target(reference: Resource | None, base: str = "") -> str | None:
    """`Type/id` of a literal reference to this service; None for any other."""
    text = reference.get("reference") if reference else None
    if not isinstance(text, str):
        return None
    kind, slash, key = text.partition("/")
    if slash and "/" not in key:
        return text if kind.isalpha() else None
    if base and text.startswith(base + "/"):
        text = text[len(base) + 1 :]
    parts = text.split("/")
    if len(parts) == 4 and parts[2] == "_history":
        parts = parts[:2]
    return "/".join(parts) if len(parts) == 2 and parts[0].isalpha() else None


def targets(references: Iterable[Resource] | None, base: str = "") -> list[str]:
    """The same of many."""
    return [found for found in (target(r, base) for r in references or ()) if found]


def named(resource: Resource) -> str:
    """`Type/id` of a resource."""
    return f"{resource['resourceType']}/{resource['id']}"


def coding_in(concept: Resource | None, system: str) -> Resource | None:
    """The coding of a system in a CodeableConcept."""
    for coding in (concept or {}).get("coding", ()):
        if coding.get("system") == system and coding.get("code"):
            return dict(coding)
    return None


def first_coding(concept: Resource | None, *preferred: str) -> Resource | None:
    """The coding of a preferred system, else the first with a code, else the text as a display."""
    for system in preferred:
        found = coding_in(concept, system)
        if found:
            return found
    for coding in (concept or {}).get("coding", ()):
        if coding.get("code"):
            return {k: coding[k] for k in ("system", "code", "display") if k in coding}
    text = (concept or {}).get("text")
    return {"display": text} if text else None


def key_of(coding: Resource | None) -> tuple[str, str] | None:
    """What a coding is counted under: system and code, or its words."""
    if coding is None:
        return None
    return coding.get("system", ""), coding.get("code") or coding.get("display") or ""


def words(concept: Resource | None) -> str:
    """What a CodeableConcept says."""
    if not concept:
        return ""
    shown = [c.get("display") or c.get("code") for c in concept.get("coding", ())]
    return str(concept.get("text") or next((s for s in shown if s), ""))


def label(coding: Resource | None) -> str:
    """What a Coding says."""
    return str((coding or {}).get("display") or (coding or {}).get("code") or "not named")


def extension(resource: Resource, url: str) -> Resource | None:
    """The first extension with this URL."""
    for found in resource.get("extension", ()):
        if found.get("url") == url:
            return dict(found)
    return None
