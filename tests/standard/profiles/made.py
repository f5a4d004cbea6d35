"""Small profiles and what is judged by them."""

from __future__ import annotations

import copy
from typing import Any

from service.errors import Issue
from service.standard.profiles import profile_issues
from service.standard.profiles.library import ProfileShelf
from service.standard.terminology.library import Library

Resource = dict[str, Any]

URL = "https://made.example/profile"


def profile(*elements: Resource, type: str = "Observation", **more: Any) -> Resource:
    """A profile with this differential."""
    return {
        "resourceType": "StructureDefinition",
        "url": URL,
        "name": "Made",
        "status": "active",
        "kind": "resource",
        "abstract": False,
        "type": type,
        "derivation": "constraint",
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{type}",
        "differential": {"element": [{"id": type, "path": type}, *elements]},
        **more,
    }


def element(identity: str, **said: Any) -> Resource:
    """An element of a differential."""
    path = ".".join(step.partition(":")[0] for step in identity.split("."))
    slice_name = identity.rpartition(".")[2].partition(":")[2]
    named = {"sliceName": slice_name} if slice_name else {}
    return {"id": identity, "path": path, **named, **said}


def slicing(identity: str, *by: tuple[str, str], rules: str = "open", **more: Any) -> Resource:
    """An element whose repetitions are told apart."""
    discriminators = [{"type": kind, "path": path} for kind, path in by]
    said = {"discriminator": discriminators, "rules": rules, "ordered": more.pop("ordered", False)}
    return element(identity, slicing=said, **more)


def issues(
    resource: Resource, *profiles: Resource, url: str = URL, library: Library | None = None
) -> list[Issue]:
    """What is found, by a shelf of these profiles alone."""
    return profile_issues(resource, [url], ProfileShelf(profiles), library)


def told(
    resource: Resource, *profiles: Resource, url: str = URL, library: Library | None = None
) -> list[tuple[str, str | None]]:
    """(code, expression) of each error."""
    found = issues(resource, *profiles, url=url, library=library)
    return [(issue.code, issue.expression) for issue in found if issue.severity == "error"]


def changed(resource: Resource, **changes: Any) -> Resource:
    """A copy with other values; None takes an element away."""
    found = copy.deepcopy(resource)
    for name, value in changes.items():
        if value is None:
            found.pop(name, None)
        else:
            found[name] = value
    return found


def coded(code: str, system: str = "http://loinc.org", **more: Any) -> Resource:
    """A CodeableConcept of one coding."""
    return {"coding": [{"system": system, "code": code, **more}]}
