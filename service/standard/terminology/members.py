"""Which codes are in a value set, all of them in order?

R4: valueset.html, section "Value Set Composition Rules": the union of the includes without the
excludes; within one include, what its system, all its filters and all its value sets have in
common.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.errors import Invalid
from service.standard.terminology.code_systems import CodeSystem, Concept
from service.standard.terminology.filters import passes
from service.standard.terminology.library import Library, SystemVersions, split
from service.standard.terminology.refusals import (
    canonical,
    not_held,
    only_in_part,
    shown,
    system_not_held,
    too_costly,
)
from service.standard.terminology.value_sets import Listed, Part, ValueSet

MOST_CODES = 100_000
_DEEPEST = 20

Key = tuple[str, str]


class Member(NamedTuple):
    """A code of a value set. `concept` is None where its system is not held.

    `display` and `designations` are those of the value set itself; `by_rule` tells that it was
    not named one by one, so that its place in the hierarchy of the system is meant.
    """

    system: str
    code: str
    version: str | None
    display: str | None
    designations: tuple[Mapping[str, Any], ...]
    concept: Concept | None
    by_rule: bool

    @property
    def key(self) -> Key:
        return self.system, self.code

    @property
    def inactive(self) -> bool:
        return self.concept is not None and self.concept.inactive

    @property
    def abstract(self) -> bool:
        return self.concept is not None and self.concept.abstract


@dataclass(slots=True)
class Evaluation:
    """The evaluation of one value set: `systems` are the versions used, `warnings` for the asker.

    Codes of the `left_out` systems are dropped unseen.
    """

    library: Library
    versions: SystemVersions = field(default_factory=SystemVersions)
    left_out: frozenset[str] = frozenset()
    most: int = MOST_CODES
    systems: dict[str, str | None] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    _seen: int = 0
    _open: list[str] = field(default_factory=list)
    _nested_ones: dict[str, dict[Key, Member]] = field(default_factory=dict)

    def members(self, value_set: ValueSet) -> list[Member]:
        """Every code once, in order. Raises NotUnderstood, TooCostly."""
        self._enter(value_set)
        gone, whole = self._excluded(value_set)
        found: dict[Key, Member] = {}
        for part in value_set.include:
            for member in self._part(part):
                if member.key not in gone and member.system not in whole:
                    found.setdefault(member.key, member)
        self._open.pop()
        if value_set.inactive is False:
            return [member for member in found.values() if not member.inactive]
        return list(found.values())

    def _enter(self, value_set: ValueSet) -> None:
        name = canonical(value_set.url, value_set.version)
        if (name and name in self._open) or len(self._open) >= _DEEPEST:
            raise Invalid(
                f"The value set {shown(name)} includes itself", code="business-rule", status=422
            )
        self._open.append(name)

    def _excluded(self, value_set: ValueSet) -> tuple[set[Key], set[str]]:
        """Codes that are taken out, and systems of which every code is."""
        gone: set[Key] = set()
        whole: set[str] = set()
        for part in value_set.exclude:
            if part.system and part.listed is None and not part.rules and not part.value_sets:
                whole.add(part.system)
            elif part.system and part.listed is not None and not part.value_sets:
                gone |= {(part.system, listed.code) for listed in part.listed}
            else:
                gone |= {member.key for member in self._part(part)}
        return gone, whole

    def _part(self, part: Part) -> Iterator[Member]:
        if part.system in self.left_out:
            return
        if part.system is None and not part.value_sets:
            raise Invalid(
                "An include names neither a system nor a value set (vsd-1)",
                code="invariant",
                status=422,
            )
        nested = [self._nested(url) for url in part.value_sets]
        own = self._of_system(part) if part.system else nested.pop(0).values()
        for member in own:
            if member.system not in self.left_out and all(member.key in other for other in nested):
                self._seen += 1
                if self._seen > self.most:
                    raise too_costly(self.most)
                yield member

    def _nested(self, url: str) -> dict[Key, Member]:
        if url not in self._nested_ones:
            value_set = self.library.value_set(*split(url))
            if value_set is None:
                raise not_held("value set", url)
            members = self.members(value_set)
            self._nested_ones[url] = {member.key: member for member in members}
        return self._nested_ones[url]

    def _of_system(self, part: Part) -> Iterator[Member]:
        assert part.system is not None
        version = self.versions.of(part.system, part.version)
        system = self.library.code_system(part.system, version)
        if system is not None:
            self.systems[system.url] = system.version
        if part.listed is not None and not part.rules:
            yield from self._listed(part, part.listed, system, version)
            return
        if system is None:
            raise system_not_held(part.system, version)
        if not system.is_whole:
            raise only_in_part(system.url)
        tests = [passes(rule, system) for rule in part.rules]
        for concept in system.concepts.values():
            if all(test(concept) for test in tests):
                yield Member(system.url, concept.code, part.version, None, (), concept, True)

    def _listed(
        self,
        part: Part,
        listed: tuple[Listed, ...],
        system: CodeSystem | None,
        version: str | None,
    ) -> Iterator[Member]:
        assert part.system is not None
        if system is None:
            self.systems.setdefault(part.system, version)
        for each in listed:
            concept = system.find(each.code) if system else None
            if system is not None and concept is None and system.is_whole:
                text = f"{shown(each.code)!r} is no code of {system.url}, so it was left out"
                self.warnings.append(text)
                continue
            code = concept.code if concept else each.code
            yield Member(
                part.system, code, part.version, each.display, each.designations, concept, False
            )
