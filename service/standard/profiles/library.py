"""Where are profiles and definitions of extensions found?

What is shipped: every StructureDefinition below mappings/profiles, in use after a restart where
one is added.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Protocol

from service.data import mappings
from service.standard.profiles.model import Profile
from service.standard.profiles.reading import read_profile
from service.standard.terminology.library import rank, split
from service.standard.terminology.shipped import resources_in


class Profiles(Protocol):
    """Finds profiles by canonical URL; None where they are not held."""

    def profile(self, url: str) -> Profile | None:
        """The profile of this URL, `url` or `url|version`."""
        ...


class ProfileShelf:
    """Profiles over StructureDefinitions in memory."""

    def __init__(self, resources: Iterable[dict[str, Any]]) -> None:
        self._raw: dict[str, list[dict[str, Any]]] = {}
        self._read: dict[str, Profile | None] = {}
        for resource in resources:
            self._raw.setdefault(str(resource.get("url")), []).append(resource)
        for versions in self._raw.values():
            versions.sort(key=rank, reverse=True)

    def profile(self, url: str) -> Profile | None:
        """The profile of this URL, `url` or `url|version`."""
        name, version = split(url)
        if name not in self._raw:
            return None
        if url not in self._read:
            fitting = [each for each in self._raw[name] if version in (None, each.get("version"))]
            if not fitting:
                return None
            self._read[url] = read_profile(fitting[0])
        return self._read[url]


def read_profiles(folder: Path) -> ProfileShelf:
    """The profiles of a folder."""
    return ProfileShelf(
        r for r in resources_in(folder) if r["resourceType"] == "StructureDefinition"
    )


@functools.cache
def shipped_profiles() -> ProfileShelf:
    """What comes with the service, read at the first call."""
    return read_profiles(mappings("profiles"))
