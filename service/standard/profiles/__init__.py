"""Is this resource valid R4, and does it keep to the profiles it names?

Beside `service.standard.validation`, which knows R4 alone. A resource that names no profile pays
one look into its `meta`. R4: profiling.html, resource.html#profile.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.errors import Invalid, Issue
from service.standard import validation
from service.standard.profiles.conforming import Judge
from service.standard.profiles.extensions import extension_issues
from service.standard.profiles.library import Profiles, shipped_profiles
from service.standard.profiles.model import CORE, Profile
from service.standard.profiles.targets import typed, types_by_urn
from service.standard.terminology.library import Library, split
from service.standard.terminology.shipped import shipped
from service.standard.validation import Surroundings
from service.standard.validation.fhirpath.budget import UNBOUNDED, Budget
from service.standard.validation.findings import Place
from service.standard.validation.references import known_types

Resource = dict[str, Any]

_DEEPEST = 10


def check(resource: Resource, *, within: Surroundings | None = None) -> None:
    """Raise Invalid for what breaks R4 (400 or 422), or a shipped profile it names (422).

    Profiles that are not shipped ask nothing here; `$validate` tells that they are unknown.
    """
    validation.check(resource, within=within)
    found = [issue for issue in declared_issues(resource) if issue.severity == "error"]
    if found:
        raise Invalid(issues=found, status=422)


def validate(resource: Resource, *, within: Surroundings | None = None) -> list[Issue]:
    """Every problem by R4 and, where it is valid R4, by the shipped profiles it names."""
    issues = validation.validate(resource, within=within)
    if any(issue.severity in ("fatal", "error") for issue in issues):
        return issues
    return issues + declared_issues(resource)


def declared_issues(
    resource: Resource,
    profiles: Profiles | None = None,
    library: Library | None = None,
    budget: Budget = UNBOUNDED,
) -> list[Issue]:
    """What the held profiles say that the resource, or one in its Bundle, names in `meta`.

    Profiles from outside need a budget. Raises TooCostly where it is spent.
    """
    profiles, library = profiles or shipped_profiles(), library or shipped()
    issues: list[Issue] = []
    types = types_by_urn(resource) if resource.get("resourceType") == "Bundle" else {}
    for each, place in _resources(resource):
        named = declared(each)
        held = [profile for url in named if (profile := profiles.profile(url)) is not None]
        if held and types:
            each = typed(each, types)
        for profile in held:
            issues += _against(each, place, profile, profiles, library, budget)
        if held:
            issues += extension_issues(each, place, profiles, library, budget)
    return list(dict.fromkeys(issues))


def profile_issues(
    resource: Resource,
    urls: list[str],
    profiles: Profiles | None = None,
    library: Library | None = None,
    budget: Budget = UNBOUNDED,
) -> list[Issue]:
    """What these profiles say, and plainly what of them was not checked.

    Profiles from outside need a budget. Raises TooCostly where it is spent.
    """
    profiles, library = profiles or shipped_profiles(), library or shipped()
    place = Place(None, str(resource.get("resourceType")))
    issues: list[Issue] = []
    for url in dict.fromkeys(urls):
        profile = profiles.profile(url)
        if profile is None:
            issues += _unheld(resource, url, place)
        else:
            issues += _against(resource, place, profile, profiles, library, budget)
            issues += _not_checked(profile, profiles, str(place))
    issues += extension_issues(resource, place, profiles, library, budget)
    return list(dict.fromkeys(issues))


def declared(resource: Resource) -> list[str]:
    """The profiles that a resource names in `meta`."""
    meta = resource.get("meta")
    named = meta.get("profile") if isinstance(meta, dict) else None
    return [url for url in named if isinstance(url, str)] if isinstance(named, list) else []


def _resources(resource: Resource) -> Iterator[tuple[Resource, Place]]:
    """The resource, and those in the entries of a Bundle."""
    place = Place(None, str(resource.get("resourceType")))
    yield resource, place
    if resource.get("resourceType") == "Bundle":
        for number, entry in enumerate(resource.get("entry") or ()):
            held = entry.get("resource") if isinstance(entry, dict) else None
            if isinstance(held, dict):
                yield held, Place(Place(place, "entry", number), "resource")


def _against(
    resource: Resource,
    place: Place,
    profile: Profile,
    profiles: Profiles,
    library: Library,
    budget: Budget,
) -> list[Issue]:
    """Breaches of a profile and of the profiles it builds on."""
    if profile.type != resource.get("resourceType"):
        text = f"The profile {profile.url} is for {profile.type}"
        return [Issue("error", "structure", text, f"{place}.meta.profile")]
    issues: list[Issue] = []
    for each in _lineage(profile, profiles):
        issues += Judge(resource, each, library, budget).look(resource, place)
    return issues


def _lineage(profile: Profile, profiles: Profiles) -> Iterator[Profile]:
    """The profile and the held ones that it builds on."""
    each: Profile | None = profile
    for _ in range(_DEEPEST):
        if each is None:
            return
        yield each
        each = profiles.profile(each.base) if each.base else None


def _not_checked(profile: Profile, profiles: Profiles, place: str) -> Iterator[Issue]:
    for each in _lineage(profile, profiles):
        for what in each.unchecked:
            text = f"Not checked of the profile {each.url}: {what}"
            yield Issue("information", "not-supported", text, place)
        base = split(each.base)[0]
        if base != CORE + each.type and base != profile.url and profiles.profile(base) is None:
            text = f"Not checked: {base}, on which {each.url} builds, is not held here"
            yield Issue("warning", "not-supported", text, place)


def _unheld(resource: Resource, url: str, place: Place) -> Iterator[Issue]:
    """What to say of a profile that is not held: nothing where it is just the type itself."""
    kind = split(url)[0].removeprefix(CORE)
    if kind == resource.get("resourceType"):
        return
    if url.startswith(CORE) and kind in known_types():
        text = f"The profile is for {kind}, the resource is a {place}"
        yield Issue("error", "structure", text, str(place))
        return
    text = (
        f"The profile {url[:200]} is not held here; the resource was checked against the rules"
        " of R4"
    )
    yield Issue("warning", "not-supported", text, str(place))
