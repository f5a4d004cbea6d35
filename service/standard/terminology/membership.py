"""Is this one code in a value set? Answered without listing the value set.

R4: ValueSet/$validate-code. What cannot be known (a part of the value set is made from a system
that is not held) is no answer of "no": then NotUnderstood is raised.
"""

from __future__ import annotations

from typing import NamedTuple

from service.errors import Invalid
from service.standard.terminology.code_systems import Concept
from service.standard.terminology.filters import passes
from service.standard.terminology.library import Library, split
from service.standard.terminology.refusals import (
    NotUnderstood,
    not_held,
    only_in_part,
    system_not_held,
)
from service.standard.terminology.value_sets import Part, ValueSet

_DEEPEST = 20


class Found(NamedTuple):
    """A code that is in the value set, and what the value set calls it if anything."""

    system: str
    code: str
    display: str | None
    concept: Concept | None


def find_code(value_set: ValueSet, system: str, code: str, library: Library) -> Found | None:
    """The code as a member; None where it is none. Raises NotUnderstood where nobody can tell."""
    return _Search(system, code, library).find(value_set)


class _Search:
    """The look for one code; each nested value set is looked into once."""

    def __init__(self, system: str, code: str, library: Library) -> None:
        self.system = system
        self.code = code
        self.library = library
        self._known: dict[str, Found | NotUnderstood | None] = {}
        self._open: list[str] = []

    def find(self, value_set: ValueSet) -> Found | None:
        if any(self._in_part(part) for part in value_set.exclude):
            return None
        doubt: NotUnderstood | None = None
        for part in value_set.include:
            try:
                found = self._in_part(part)
            except NotUnderstood as reason:
                doubt = reason
                continue
            if found is not None:
                hidden = value_set.inactive is False and found.concept and found.concept.inactive
                return None if hidden else found
        if doubt is not None:
            raise doubt
        return None

    def _in_part(self, part: Part) -> Found | None:
        found: Found | None = None
        if part.system is not None:
            if part.system != self.system:
                return None
            found = self._in_system(part)
            if found is None:
                return None
        for url in part.value_sets:
            member = self._nested(url)
            if member is None:
                return None
            found = found or member
        return found

    def _nested(self, url: str) -> Found | None:
        if url in self._open or len(self._open) >= _DEEPEST:
            raise Invalid("A value set includes itself", code="business-rule", status=422)
        if url not in self._known:
            value_set = self.library.value_set(*split(url))
            if value_set is None:
                raise not_held("value set", url)
            self._open.append(url)
            try:
                self._known[url] = self.find(value_set)
            except NotUnderstood as reason:
                self._known[url] = reason
            finally:
                self._open.pop()
        known = self._known[url]
        if isinstance(known, NotUnderstood):
            raise known
        return known

    def _in_system(self, part: Part) -> Found | None:
        held = self.library.code_system(self.system, part.version)
        concept = held.find(self.code) if held else None
        if part.listed is not None and not part.rules:
            if held is not None and concept is None and held.is_whole:
                return None
            wanted = concept.code if concept else self.code
            for each in part.listed:
                if each.code == wanted or (concept and held and held.find(each.code) is concept):
                    return Found(self.system, wanted, each.display, concept)
            return None
        if held is None:
            raise system_not_held(self.system, part.version)
        if not held.is_whole and (concept is None or part.rules):
            raise only_in_part(held.url)
        if concept is None or not all(passes(rule, held)(concept) for rule in part.rules):
            return None
        return Found(self.system, concept.code, None, concept)
