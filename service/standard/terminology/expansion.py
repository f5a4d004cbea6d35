"""What does the expansion of a value set look like?

R4: OperationDefinition-ValueSet-expand, ValueSet.expansion. Flat unless `excludeNested` is false:
then codes that were not named one by one stand below the nearest code above them that is in the
value set too, and paging is left aside, as the operation says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.standard.extraction.text import fold
from service.standard.terminology.displays import designations_of, display_of, speaks
from service.standard.terminology.library import Library, SystemVersions, split
from service.standard.terminology.members import Evaluation, Key, Member
from service.standard.terminology.refusals import too_costly
from service.standard.terminology.value_sets import ValueSet

MOST_AT_ONCE = 10_000
"""Codes in one answer."""

_KEPT = (
    "url",
    "identifier",
    "version",
    "name",
    "title",
    "status",
    "experimental",
    "date",
    "publisher",
    "description",
    "copyright",
)

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Wishes:
    """The parameters of $expand that say what is wanted; None where they were not given."""

    filter: str | None = None
    offset: int | None = None
    count: int | None = None
    include_designations: bool | None = None
    designation: Sequence[str] = ()
    include_definition: bool | None = None
    active_only: bool | None = None
    exclude_nested: bool | None = None
    exclude_not_for_ui: bool | None = None
    display_language: str | None = None
    exclude_system: Sequence[str] = ()
    versions: SystemVersions = field(default_factory=SystemVersions)

    @property
    def nested(self) -> bool:
        """Whether codes shall stand below others."""
        return self.exclude_nested is False and not self.filter


def expand(
    value_set: ValueSet,
    library: Library,
    wishes: Wishes,
    *,
    identifier: str,
    timestamp: str,
) -> Resource:
    """The value set with its expansion. Raises NotUnderstood, TooCostly."""
    left_out = frozenset(split(url)[0] for url in wishes.exclude_system)
    evaluation = Evaluation(library, wishes.versions, left_out)
    members = [m for m in evaluation.members(value_set) if _is_wanted(m, wishes)]
    if wishes.nested:
        shown = members[:0] if wishes.count == 0 else members
    else:
        start = wishes.offset or 0
        shown = members[start:] if wishes.count is None else members[start:][: wishes.count]
    if len(shown) > MOST_AT_ONCE:
        raise too_costly(MOST_AT_ONCE)
    expansion: Resource = {
        "identifier": identifier,
        "timestamp": timestamp,
        "total": len(members),
    }
    if wishes.offset is not None and not wishes.nested:
        expansion["offset"] = wishes.offset
    parameters = [*_asked(wishes), *_used(evaluation)]
    if parameters:
        expansion["parameter"] = parameters
    entries = _nest(shown, evaluation, wishes) if wishes.nested else _flat(shown, wishes)
    if entries:
        expansion["contains"] = entries
    return _head(value_set, wishes) | {"expansion": expansion}


def _head(value_set: ValueSet, wishes: Wishes) -> Resource:
    raw = value_set.resource
    head: Resource = {"resourceType": "ValueSet"}
    if raw.get("language"):
        head["language"] = raw["language"]
    head |= {name: raw[name] for name in _KEPT if name in raw}
    head.setdefault("status", "active")
    if wishes.include_definition and "compose" in raw:
        head["compose"] = raw["compose"]
    return head


def _is_wanted(member: Member, wishes: Wishes) -> bool:
    if wishes.active_only and member.inactive:
        return False
    if wishes.exclude_not_for_ui and member.abstract:
        return False
    return not wishes.filter or _meets(member, wishes.filter)


def _meets(member: Member, text: str) -> bool:
    """Whether every word begins a word of the code or of what it is called."""
    names = [member.code, member.display, member.concept.display if member.concept else None]
    names += [each.get("value") for each in designations_of(member.concept, member.designations)]
    words = [word for name in names if name for word in _words(name)]
    return all(any(word.startswith(part) for word in words) for part in fold(text).split())


def _words(name: str) -> list[str]:
    folded = fold(name)
    parts = "".join(c if c.isalnum() else " " for c in folded).split()
    return [*parts, *folded.split()]


def _flat(members: Iterable[Member], wishes: Wishes) -> list[Resource]:
    return [_entry(member, wishes) for member in members]


def _nest(members: Sequence[Member], evaluation: Evaluation, wishes: Wishes) -> list[Resource]:
    entries: dict[Key, Resource] = {m.key: _entry(m, wishes) for m in members}
    top: list[Resource] = []
    for member in members:
        above = _nearest(member, entries, evaluation.library) if member.by_rule else None
        if above is None:
            top.append(entries[member.key])
        else:
            entries[above].setdefault("contains", []).append(entries[member.key])
    return top


def _nearest(member: Member, entries: Mapping[Key, Resource], library: Library) -> Key | None:
    """The nearest code above this one that is in the expansion."""
    system = library.code_system(member.system, member.version)
    if system is None or member.concept is None:
        return None
    level, seen = list(member.concept.parents), {member.code}
    while level:
        found = next((code for code in level if (member.system, code) in entries), None)
        if found is not None and found not in seen:
            return member.system, found
        seen.update(level)
        level = [
            upper for code in level for upper in system.concepts[code].parents if upper not in seen
        ]
    return None


def _entry(member: Member, wishes: Wishes) -> Resource:
    entry: Resource = {"system": member.system}
    if member.abstract:
        entry["abstract"] = True
    if member.inactive:
        entry["inactive"] = True
    if member.version:
        entry["version"] = member.version
    entry["code"] = member.code
    display = display_of(
        member.concept, member.display, member.designations, language=wishes.display_language
    )
    if display:
        entry["display"] = display
    if wishes.include_designations or wishes.designation:
        named = [
            dict(each)
            for each in designations_of(member.concept, member.designations)
            if _is_asked_for(each, wishes.designation)
        ]
        if named:
            entry["designation"] = named
    return entry


def _is_asked_for(designation: Mapping[str, Any], tokens: Sequence[str]) -> bool:
    """Whether one of the tokens names its language or its use; true where there are none."""
    use = designation.get("use") or {}
    for token in tokens:
        system, bar, code = token.rpartition("|")
        if system in ("", "urn:ietf:bcp:47") and speaks(designation.get("language"), code):
            return True
        if use.get("code") == code and (not bar or use.get("system", "") == system):
            return True
    return not tokens


def _asked(wishes: Wishes) -> list[Resource]:
    """The parameters that shaped the answer, as they were given."""
    given: list[tuple[str, str, Any]] = [
        ("filter", "valueString", wishes.filter),
        ("offset", "valueInteger", wishes.offset),
        ("count", "valueInteger", wishes.count),
        ("includeDesignations", "valueBoolean", wishes.include_designations),
        *(("designation", "valueString", token) for token in wishes.designation),
        ("includeDefinition", "valueBoolean", wishes.include_definition),
        ("activeOnly", "valueBoolean", wishes.active_only),
        ("excludeNested", "valueBoolean", wishes.exclude_nested),
        ("excludeNotForUI", "valueBoolean", wishes.exclude_not_for_ui),
        ("displayLanguage", "valueCode", wishes.display_language),
        *(("exclude-system", "valueUri", url) for url in wishes.exclude_system),
        *(("system-version", "valueUri", url) for url in wishes.versions.default),
        *(("check-system-version", "valueUri", url) for url in wishes.versions.check),
        *(("force-system-version", "valueUri", url) for url in wishes.versions.force),
    ]
    return [{"name": name, kind: value} for name, kind, value in given if value is not None]


def _used(evaluation: Evaluation) -> list[Resource]:
    """Versions of the code systems used, and what the asker should know."""
    versions = [
        {"name": "version", "valueUri": f"{url}|{version}"}
        for url, version in evaluation.systems.items()
        if version
    ]
    return [*versions, *({"name": "warning", "valueString": w} for w in evaluation.warnings[:50])]
