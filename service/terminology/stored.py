"""Which code systems, value sets, concept maps and profiles did users store?

They are looked up by URL in the search index and stand beside what is shipped: of all versions
of a URL the newest active one is meant, wherever it comes from. Each stored version is taken
apart once in a process.
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from functools import partial
from operator import itemgetter
from typing import Any, TypeVar

from service.caller import Caller
from service.standard.codec import decode_resource
from service.standard.profiles.library import ProfileShelf, shipped_profiles
from service.standard.profiles.model import Profile
from service.standard.profiles.reading import read_profile
from service.standard.search_query import parse_search
from service.standard.terminology.code_systems import CodeSystem, read_code_system
from service.standard.terminology.concept_maps import ConceptMap, read_concept_map
from service.standard.terminology.library import rank, split
from service.standard.terminology.shipped import Shelf, shipped
from service.standard.terminology.value_sets import ValueSet, all_of_system, read_value_set
from service.store.connection import Connection
from service.store.current import current_version
from service.store.rows import Stored
from service.store.searching import find
from service.store.store import present

MOST_VERSIONS = 100
"""Stored versions of one URL, or stored maps of one code system, that are looked at."""

_SPECIAL = re.compile(r"([\\,$|])")
_READERS: dict[str, Callable[[dict[str, Any]], Any]] = {
    "CodeSystem": read_code_system,
    "ValueSet": read_value_set,
    "ConceptMap": read_concept_map,
    "StructureDefinition": read_profile,
}

Read = TypeVar("Read")


class _Version:
    """A stored version as written; taken apart when it is first asked for."""

    def __init__(self, stored: Stored) -> None:
        self.resource = decode_resource(stored.body or b"")
        self.updated = stored.updated
        self.size = len(stored.body or b"")
        self._read: Any = None

    def read(self) -> Any:
        """What it defines. Raises Invalid where it defines nothing."""
        if self._read is None:
            self._read = _READERS[self.resource["resourceType"]](self.resource)
        return self._read


class _Cache:
    """Stored versions, as long as their bodies are not too many bytes.

    A version never changes, and its time of writing tells two databases apart.
    """

    def __init__(self, most_bytes: int) -> None:
        self._most = most_bytes
        self._lock = threading.Lock()
        self._held: OrderedDict[tuple[int, int, int], _Version] = OrderedDict()
        self._bytes = 0

    def version(self, stored: Stored) -> _Version:
        """The version, known or new."""
        key = (stored.rid, stored.vid, stored.updated)
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        made = _Version(stored)
        with self._lock:
            if key not in self._held:
                self._held[key] = made
                self._bytes += made.size
            while self._bytes > self._most and len(self._held) > 1:
                self._bytes -= self._held.popitem(last=False)[1].size
        return made


_cache = _Cache(64 * 1024 * 1024)


class StoredLibrary:
    """The library of one request: what the caller sees in the store, and what is shipped."""

    def __init__(self, connection: Connection, caller: Caller) -> None:
        self._connection = connection
        self._caller = caller
        self._shelf: Shelf = shipped()
        self._profiles: ProfileShelf = shipped_profiles()
        self._found: dict[tuple[str, str], list[_Version]] = {}

    def code_system(self, url: str, version: str | None = None) -> CodeSystem | None:
        """The code system of this URL."""
        return self._best("CodeSystem", url, version, self._shelf.code_system)

    def value_set(self, url: str, version: str | None = None) -> ValueSet | None:
        """The value set of this URL, or the one that is all of a code system."""
        found = self._best("ValueSet", url, version, self._shelf.value_set)
        if found is None:
            system = self._implied(url, version)
            return None if system is None else all_of_system(url, system.url, system.version)
        return found

    def concept_map(self, url: str, version: str | None = None) -> ConceptMap | None:
        """The concept map of this URL."""
        return self._best("ConceptMap", url, version, self._shelf.concept_map)

    def profile(self, url: str) -> Profile | None:
        """The profile of this URL: a shipped one, else the newest stored one."""
        found = self._profiles.profile(url)
        if found is not None:
            return found
        name, version = split(url)
        stored = [
            each
            for each in self._versions("StructureDefinition", name)
            if version is None or each.resource.get("version") == version
        ]
        if not stored:
            return None
        newest: Profile = max(stored, key=lambda each: rank(each.resource, each.updated)).read()
        return newest

    def instance(self, kind: str, resource_id: str) -> Any:
        """What the resource with this id defines: the stored one, else the shipped one.

        Raises NotFound, Gone, and Invalid where it defines nothing.
        """
        found = current_version(self._connection, self._caller, kind, resource_id)
        if found is None:
            for resource in self._shelf.resources(kind):
                if resource.get("id") == resource_id:
                    return _READERS[kind](resource)
        return _cache.version(present(found, f"{kind}/{resource_id}")).read()

    def concept_maps(self, system: str, *, reverse: bool) -> Iterator[ConceptMap]:
        """Every map that is not retired, with a group from this system (to it, in reverse)."""
        parameter = "target-system" if reverse else "source-system"
        stored = [
            each
            for each in self._search("ConceptMap", parameter, system)
            if each.resource.get("status") != "retired"
        ]
        urls = [found.url for found in self._shelf.concept_maps(system, reverse=reverse)]
        urls += [each.resource["url"] for each in stored if "url" in each.resource]
        for url in dict.fromkeys(urls):
            found = self.concept_map(url)
            if found is not None:
                yield found
        yield from (each.read() for each in stored if "url" not in each.resource)

    def _implied(self, url: str, version: str | None) -> CodeSystem | None:
        """The code system that says its codes are this value set; stored ones are not searched.

        R4 has no search parameter for CodeSystem.valueSet, so only shipped systems are known.
        """
        implied = self._shelf.value_set(url, version)
        return None if implied is None else self.code_system(implied.include[0].system or "")

    def _best(
        self,
        kind: str,
        url: str,
        version: str | None,
        on_shelf: Callable[[str, str | None], Read | None],
    ) -> Read | None:
        """The newest of the versions that are meant."""
        candidates: list[tuple[tuple[Any, ...], Callable[[], Any]]] = [
            (rank(each.resource, each.updated), each.read)
            for each in self._versions(kind, url)
            if version is None or each.resource.get("version") == version
        ]
        own = self._shelf.resource(kind, url, version)
        if own is not None:
            candidates.append((rank(own), partial(on_shelf, url, version)))
        if not candidates:
            return None
        found: Read | None = max(candidates, key=itemgetter(0))[1]()
        return found

    def _versions(self, kind: str, url: str) -> list[_Version]:
        key = (kind, url)
        if key not in self._found:
            self._found[key] = self._search(kind, "url", url)
        return self._found[key]

    def _search(self, kind: str, parameter: str, value: str) -> list[_Version]:
        if not value or "\x00" in value:
            return []
        pairs = [(parameter, _SPECIAL.sub(r"\\\1", value))]
        query = parse_search(kind, pairs, strict=True)
        stored = find(self._connection, self._caller, query, limit=MOST_VERSIONS)
        return [_cache.version(each) for each in stored]
