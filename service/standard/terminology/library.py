"""Where are code systems, value sets and concept maps found, and which version of them?

A `Library` finds them by canonical URL. What is shipped is one (`shipped.py`), what users stored
is another, in `service.terminology`. Which version is meant where none is named: the newest
active one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple, Protocol

from service.errors import Invalid
from service.standard.terminology.code_systems import CodeSystem
from service.standard.terminology.concept_maps import ConceptMap
from service.standard.terminology.refusals import canonical, shown
from service.standard.terminology.value_sets import ValueSet

_STATUS = {"active": 3, "draft": 2, "retired": 1}
_DIGITS = re.compile(r"(\d+)")


class Library(Protocol):
    """Finds definitions; None where they are not held."""

    def code_system(self, url: str, version: str | None = None) -> CodeSystem | None:
        """The code system of this URL."""
        ...

    def value_set(self, url: str, version: str | None = None) -> ValueSet | None:
        """The value set of this URL, explicit or implied by a code system."""
        ...

    def concept_map(self, url: str, version: str | None = None) -> ConceptMap | None:
        """The concept map of this URL."""
        ...

    def concept_maps(self, system: str, *, reverse: bool) -> Iterable[ConceptMap]:
        """Every current map with a group from this system (to it, in reverse)."""
        ...


def split(url: str) -> tuple[str, str | None]:
    """URL and version of a canonical."""
    name, _, version = url.partition("|")
    return name, version or None


def rank(resource: Any, updated: int = 0) -> tuple[Any, ...]:
    """Orders versions of the same definition: active ones last, then by version, then by time.

    Versions are compared part by part, numbers as numbers.
    """
    version = str(resource.get("version") or "")
    parts = tuple((1, int(p), "") if p.isdecimal() else (0, 0, p) for p in _numbered(version))
    return (_STATUS.get(str(resource.get("status")), 0), parts, updated)


def _numbered(version: str) -> Iterator[str]:
    for part in _DIGITS.split(version):
        if part and part != ".":
            yield part[:18]


class SystemVersions(NamedTuple):
    """Versions of code systems that the asker wants: $expand `system-version` and its kin."""

    default: Sequence[str] = ()
    check: Sequence[str] = ()
    force: Sequence[str] = ()

    def of(self, system: str, said: str | None) -> str | None:
        """The version to use where a value set says `said`. Raises Invalid."""
        forced = _version(self.force, system)
        if forced is not None:
            return forced
        checked = _version(self.check, system)
        if checked is not None and said is not None and checked != said:
            raise Invalid(
                f"The value set wants {shown(canonical(system, said))}, version"
                f" {shown(checked)} was to be checked",
                code="business-rule",
                status=422,
            )
        return said or checked or _version(self.default, system)


def _version(wanted: Sequence[str], system: str) -> str | None:
    return next((version for url, version in map(split, wanted) if url == system), None)
