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


def find_code(
    value_set: ValueSet, system: str, code: str, library: Library, *, depth: int = 0
) -> Found | None:
    """The code as a member; None where it is none. Raises NotUnderstood where nobody can tell."""
    if depth >= _DEEPEST:
        raise Invalid("A value set includes itself", code="business-rule", status=422)
    if any(_in_part(part, system, code, library, depth) for part in value_set.exclude):
        return None
    doubt: NotUnderstood | None = None
    for part in value_set.include:
        try:
            found = _in_part(part, system, code, library, depth)
        except NotUnderstood as reason:
            doubt = reason
            continue
        if found is not None:
            hidden = value_set.inactive is False and found.concept and found.concept.inactive
            return None if hidden else found
    if doubt is not None:
        raise doubt
    return None


def _in_part(part: Part, system: str, code: str, library: Library, depth: int) -> Found | None:
    found: Found | None = None
    if part.system is not None:
        found = _in_system(part, code, library) if part.system == system else None
        if found is None:
            return None
    for url in part.value_sets:
        nested = library.value_set(*split(url))
        if nested is None:
            raise not_held("value set", url)
        member = find_code(nested, system, code, library, depth=depth + 1)
        if member is None:
            return None
        found = found or member
    return found


def _in_system(part: Part, code: str, library: Library) -> Found | None:
    assert part.system is not None
    held = library.code_system(part.system, part.version)
    concept = held.find(code) if held else None
    if part.listed is not None and not part.rules:
        if held is not None and concept is None and held.is_whole:
            return None
        wanted = concept.code if concept else code
        for each in part.listed:
            if each.code == wanted or (concept and held and held.find(each.code) is concept):
                return Found(part.system, wanted, each.display, concept)
        return None
    if held is None:
        raise system_not_held(part.system, part.version)
    if not held.is_whole and (concept is None or part.rules):
        raise only_in_part(held.url)
    if concept is None or not all(passes(rule, held)(concept) for rule in part.rules):
        return None
    return Found(part.system, concept.code, None, concept)
