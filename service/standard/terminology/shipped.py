"""Which code systems, value sets and concept maps come with the service?

Those of the official package that elements of our types are bound to (`mappings/r4`), and our
own: every JSON file below mappings/code-systems, value-sets and concept-maps. A file that is
added there is in use after a restart. Read once; each is taken apart when it is first asked for.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from service.data import mappings
from service.errors import HyoidError, NotFound
from service.standard.codec import decode, decode_resource
from service.standard.terminology.code_systems import CodeSystem, read_code_system
from service.standard.terminology.concept_maps import ConceptMap, read_concept_map
from service.standard.terminology.library import rank
from service.standard.terminology.value_sets import ValueSet, all_of_system, read_value_set

Resource = dict[str, Any]
Read = TypeVar("Read")

_OFFICIAL = ("code-systems.json", "value-sets.json")
_FOLDERS = ("code-systems", "value-sets", "concept-maps")


class Shelf:
    """A library over resources in memory; versions of the same URL are told apart by `rank`."""

    def __init__(self, resources: Iterable[Resource]) -> None:
        self._raw: dict[tuple[str, str], list[Resource]] = {}
        self._read: dict[int, Any] = {}
        self._implied: dict[str, str] = {}
        for resource in resources:
            kind, url = resource["resourceType"], resource.get("url")
            if isinstance(url, str):
                self._raw.setdefault((kind, url), []).append(resource)
                if kind == "CodeSystem" and isinstance(resource.get("valueSet"), str):
                    self._implied.setdefault(resource["valueSet"].partition("|")[0], url)
        for versions in self._raw.values():
            versions.sort(key=rank, reverse=True)

    def resources(self, kind: str) -> Iterator[Resource]:
        """The newest version of everything of a type, as written."""
        return (versions[0] for (each, _), versions in self._raw.items() if each == kind)

    def resource(self, kind: str, url: str, version: str | None = None) -> Resource | None:
        """A definition as written."""
        for each in self._raw.get((kind, url), ()):
            if version is None or each.get("version") == version:
                return each
        return None

    def instance(self, kind: str, resource_id: str) -> Any:
        """What the newest version with this id defines. Raises NotFound."""
        readers = {
            "CodeSystem": self.code_system,
            "ValueSet": self.value_set,
            "ConceptMap": self.concept_map,
        }
        for resource in self.resources(kind):
            if resource.get("id") == resource_id:
                return readers[kind](resource["url"])
        raise NotFound(f"No {kind}/{resource_id} is shipped")

    def code_system(self, url: str, version: str | None = None) -> CodeSystem | None:
        """The code system of this URL."""
        return self._found("CodeSystem", url, version, read_code_system)

    def value_set(self, url: str, version: str | None = None) -> ValueSet | None:
        """The value set of this URL, or the one that is all of a code system."""
        found = self._found("ValueSet", url, version, read_value_set)
        if found is None and url in self._implied:
            system = self.code_system(self._implied[url], version)
            return None if system is None else all_of_system(url, system.url, system.version)
        return found

    def concept_map(self, url: str, version: str | None = None) -> ConceptMap | None:
        """The concept map of this URL."""
        return self._found("ConceptMap", url, version, read_concept_map)

    def concept_maps(self, system: str, *, reverse: bool) -> Iterator[ConceptMap]:
        """Every map with a group from this system (to it, in reverse)."""
        for resource in self.resources("ConceptMap"):
            found = self.concept_map(resource["url"])
            if found is not None and any(
                (group.target if reverse else group.source) == system for group in found.groups
            ):
                yield found

    def _found(
        self, kind: str, url: str, version: str | None, read: Callable[[Resource], Read]
    ) -> Read | None:
        resource = self.resource(kind, url, version)
        if resource is None:
            return None
        known: Read | None = self._read.get(id(resource))
        if known is None:
            known = self._read[id(resource)] = read(resource)
        return known


def resources_in(folder: Path) -> Iterator[Resource]:
    """The resources in the JSON files below a folder, in the order of their names.

    Raises ValueError, with its name, for a file that holds none.
    """
    for path in sorted(folder.rglob("*.json")):
        try:
            yield decode_resource(path.read_bytes())
        except HyoidError as error:
            raise ValueError(f"{path}: {error}") from None


def read_shelf(root: Path) -> Shelf:
    """The shelf of a mappings folder."""
    resources: list[Resource] = []
    for name in _OFFICIAL:
        resources += decode((root / "r4" / name).read_bytes()).values()
    for folder in _FOLDERS:
        resources += resources_in(root / folder)
    return Shelf(resources)


@functools.cache
def shipped() -> Shelf:
    """What comes with the service, read at the first call."""
    return read_shelf(mappings())
