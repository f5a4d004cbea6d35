"""What is in a mappings folder, file by file, and what is wrong with it?

The tables compiled from the official package (r4/) are left aside: a test compiles them again.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

from service.errors import HyoidError
from service.standard.codec import decode
from service.standard.profiles.library import ProfileShelf
from service.standard.terminology.shipped import Shelf, read_shelf

OWN = "https://hyoid.example/fhir/"
Json = dict[str, Any]

_OF_RESOURCES = ("code-systems/", "value-sets/", "concept-maps/", "profiles/")


class Finding(NamedTuple):
    """Something wrong: in which file (below mappings/), where in it, and what."""

    file: str
    place: str
    text: str

    def __str__(self) -> str:
        return (
            f"{self.file}: {self.place}: {self.text}" if self.place else f"{self.file}: {self.text}"
        )


class File(NamedTuple):
    """A file of the folder with what it holds."""

    name: str
    content: Any

    @property
    def is_resource(self) -> bool:
        return isinstance(self.content, dict) and "resourceType" in self.content


class Folder:
    """A mappings folder, read."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.files: list[File] = []
        self.findings: list[Finding] = []
        for path in sorted(root.rglob("*.json")):
            name = path.relative_to(root).as_posix()
            if not name.startswith("r4/") and ".mypy_cache" not in name:
                self._read(path, name)

    def _read(self, path: Path, name: str) -> None:
        try:
            file = File(name, decode(path.read_bytes()))
        except HyoidError as error:
            for issue in error.issues:
                self.findings.append(Finding(name, issue.location or "", issue.text))
            return
        self.files.append(file)
        if name.startswith(_OF_RESOURCES) and not file.is_resource:
            self.findings.append(Finding(name, "", "is no resource"))

    def resources(self, *kinds: str) -> Iterator[tuple[str, Json]]:
        """(file, resource) of these types, of all where none is named."""
        for file in self.files:
            if file.is_resource and (not kinds or file.content["resourceType"] in kinds):
                yield file.name, file.content

    @cached_property
    def shelf(self) -> Shelf:
        """Code systems, value sets and concept maps, the official ones too."""
        return read_shelf(self.root)

    @cached_property
    def profiles(self) -> ProfileShelf:
        """Profiles and extensions."""
        return ProfileShelf(resource for _, resource in self.resources("StructureDefinition"))

    @cached_property
    def urls(self) -> frozenset[str]:
        """Canonical URLs of all that is in the folder."""
        return frozenset(str(r["url"]) for _, r in self.resources() if "url" in r)


def walk(value: Any, place: str = "") -> Iterator[tuple[str, Json]]:
    """Every object in a value, with its place."""
    if isinstance(value, dict):
        yield place, value
        for name, each in value.items():
            yield from walk(each, f"{place}.{name}" if place else name)
    elif isinstance(value, list):
        for number, each in enumerate(value):
            yield from walk(each, f"{place}[{number}]")


def texts(value: Any, place: str = "") -> Iterator[tuple[str, str]]:
    """Every text in a value, with its place."""
    for at, held in walk(value, place):
        for name, each in held.items():
            where = f"{at}.{name}" if at else name
            if isinstance(each, str):
                yield where, each
            elif isinstance(each, list):
                yield from ((f"{where}[{n}]", t) for n, t in enumerate(each) if isinstance(t, str))


def objects(held: Json, name: str) -> list[Json]:
    """The objects in a list; none where there is no such list."""
    value = held.get(name)
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []


def codings_in(held: Json) -> Iterator[Json]:
    """Codes that stand beside a system in this object, as Codings.

    A Coding or Quantity; an include of a value set; a rule with a list of `codes`.
    """
    system = held.get("system")
    if not isinstance(system, str):
        return
    if isinstance(held.get("code"), str):
        yield held
    for each in objects(held, "concept"):
        yield {**each, "system": system}
    codes = held.get("codes")
    for each in codes if isinstance(codes, list) else []:
        if isinstance(each, str):
            yield {"system": system, "code": each}
