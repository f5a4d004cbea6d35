"""Do extensions stand where their definitions allow, with what these ask for?

R4: extensibility.html, defining-extensions.html#context. Extensions without a definition that is
held are left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from service.errors import Issue
from service.standard.definitions import definitions
from service.standard.profiles.conforming import Judge
from service.standard.profiles.library import Profiles
from service.standard.profiles.model import Profile
from service.standard.terminology.library import Library
from service.standard.validation.fhirpath.budget import Budget
from service.standard.validation.findings import Place

_NAMES = ("extension", "modifierExtension")


class Found(NamedTuple):
    """An extension, and what holds it: path (`PlanDefinition.action`), shape, outer extension."""

    extension: dict[str, Any]
    place: Place
    path: str
    shape: str
    outer: str | None


def extension_issues(
    resource: dict[str, Any], place: Place, profiles: Profiles, library: Library, budget: Budget
) -> list[Issue]:
    """Every breach by an extension whose definition is held."""
    issues: list[Issue] = []
    for found in extensions_of(resource, place):
        url = found.extension.get("url")
        profile = profiles.profile(url) if isinstance(url, str) and ":" in url else None
        if profile is None or profile.type != "Extension":
            continue
        if not _may_stand(profile, found):
            allowed = ", ".join(expression for _, expression in profile.contexts)
            text = f"The extension {profile.url} may stand in {allowed}, not in {found.path}"
            issues.append(Issue("error", "structure", text, str(found.place)))
        issues += Judge(resource, profile, library, budget).look(found.extension, found.place)
    return issues


def extensions_of(resource: dict[str, Any], place: Place) -> Iterator[Found]:
    """Every extension in a resource, those in contained resources too."""
    kind = str(resource.get("resourceType"))
    yield from _within(resource, kind, kind, place, None)


def _within(
    value: dict[str, Any], path: str, shape: str, place: Place, outer: str | None
) -> Iterator[Found]:
    elements = definitions().elements(shape)
    for name, held in value.items():
        bare = name.removeprefix("_")
        element = elements.get(bare)
        if element is None:
            continue
        label = element.choice or bare
        inner_path = f"{path}.{element.choice}[x]" if element.choice else f"{path}.{bare}"
        inner_shape = element.children if name == bare else "Element"
        for number, each in enumerate(held if isinstance(held, list) else [held]):
            if not isinstance(each, dict):
                continue
            at = Place(place, label, number if isinstance(held, list) else None)
            if inner_shape == "Resource":
                yield from extensions_of(each, at)
            elif bare in _NAMES:
                yield Found(each, at, path, shape, outer)
                yield from _within(each, inner_path, "Extension", at, str(each.get("url")))
            elif inner_shape:
                yield from _within(each, inner_path, inner_shape, at, outer)


def _may_stand(profile: Profile, found: Found) -> bool:
    known = definitions()
    for kind, expression in profile.contexts:
        if kind == "extension":
            if expression == found.outer:
                return True
        elif expression == found.path or known.is_a(found.shape, expression):
            return True
    return not profile.contexts
