"""What is this code in another system?

R4: OperationDefinition-ConceptMap-translate, ConceptMap.group, .unmapped, .dependsOn, .product.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.standard.terminology.answers import Resource, named, parameters
from service.standard.terminology.concept_maps import ConceptMap, Group, Need, Target
from service.standard.terminology.displays import display_of
from service.standard.terminology.library import Library, split
from service.standard.terminology.refusals import canonical, not_held, shown

_NO_MATCH = frozenset({"unmatched", "disjoint"})
_INVERSE = {
    "wider": "narrower",
    "narrower": "wider",
    "subsumes": "specializes",
    "specializes": "subsumes",
}


class Asked(NamedTuple):
    """A code to translate."""

    system: str
    code: str


class Dependency(NamedTuple):
    """Another element that was handed in: its URL, and the codes or text it has."""

    element: str
    codings: tuple[tuple[str | None, str], ...]
    text: str | None


@dataclass(frozen=True, slots=True)
class Wishes:
    """What translation is wanted. `source` and `target` are value sets as the map has them."""

    source: str | None = None
    target: str | None = None
    target_system: str | None = None
    reverse: bool = False
    dependencies: tuple[Dependency, ...] = ()


class Match(NamedTuple):
    """A translation found in a map: `code` is None where the map says that there is none."""

    equivalence: str
    system: str | None
    version: str | None
    code: str | None
    display: str | None
    products: tuple[Need, ...]
    comment: str | None
    map: str


def translate(
    asked: Sequence[Asked], maps: Iterable[ConceptMap], library: Library, wishes: Wishes
) -> Resource:
    """The answer of $translate from all of these maps."""
    finder = _Finder(library, wishes)
    found: dict[Match, None] = {}
    for concept_map in maps:
        if _applies(concept_map, wishes):
            for one in asked:
                found |= dict.fromkeys(finder.matches(concept_map, one))
    good = any(match.equivalence not in _NO_MATCH for match in found)
    entries = [named("result", valueBoolean=good)]
    message = _message(asked, finder, list(found), good)
    if message:
        entries.append(named("message", valueString=message))
    return parameters(*entries, *(_told(match, library) for match in found))


def _applies(concept_map: ConceptMap, wishes: Wishes) -> bool:
    """Whether the map is between the value sets that were named."""
    ends = (concept_map.source, concept_map.target)
    source, target = reversed(ends) if wishes.reverse else ends
    return (wishes.source is None or split(wishes.source)[0] == source) and (
        wishes.target is None or split(wishes.target)[0] == target
    )


class _Finder:
    """Finds translations; `missing` are the dependencies that would have given more."""

    def __init__(self, library: Library, wishes: Wishes) -> None:
        self.library = library
        self.wishes = wishes
        self.missing: dict[str, None] = {}
        self._seen: set[tuple[str, Asked]] = set()

    def matches(self, concept_map: ConceptMap, asked: Asked) -> Iterator[Match]:
        """Translations by a map; each map is looked into once for a code."""
        key = (_name(concept_map) or str(id(concept_map)), asked)
        if key in self._seen:
            return
        self._seen.add(key)
        for group in concept_map.groups:
            if self.wishes.reverse:
                yield from self._reversed(concept_map, group, asked)
            elif group.source == asked.system and self._wants(group.target):
                yield from self._forward(concept_map, group, asked)

    def _wants(self, system: str | None) -> bool:
        return self.wishes.target_system in (None, system)

    def _forward(self, concept_map: ConceptMap, group: Group, asked: Asked) -> Iterator[Match]:
        targets = group.entries.get(asked.code)
        if targets is None:
            yield from self._unmapped(concept_map, group, asked)
            return
        for target in targets:
            if self._met(target.needs):
                yield _match(concept_map, group, target)

    def _reversed(self, concept_map: ConceptMap, group: Group, asked: Asked) -> Iterator[Match]:
        if group.target != asked.system or not self._wants(group.source):
            return
        for code, targets in group.entries.items():
            for target in targets:
                if target.code == asked.code:
                    yield Match(
                        _INVERSE.get(target.equivalence, target.equivalence),
                        group.source,
                        group.source_version,
                        code,
                        group.displays.get(code),
                        (),
                        target.comment,
                        _name(concept_map),
                    )

    def _met(self, needs: Sequence[Need]) -> bool:
        open_ = [need for need in needs if not any(_is(need, d) for d in self.wishes.dependencies)]
        self.missing |= dict.fromkeys(need.property for need in open_)
        return not open_

    def _unmapped(self, concept_map: ConceptMap, group: Group, asked: Asked) -> Iterator[Match]:
        """What the group says of codes without an entry."""
        rest = group.unmapped
        if rest is None:
            return
        at = (group.target, group.target_version)
        if rest.mode == "provided":
            yield Match("equal", *at, asked.code, None, (), None, _name(concept_map))
        elif rest.mode == "fixed":
            comment = "The map has no entry for the code: this is what it says for the rest"
            yield Match("inexact", *at, rest.code, rest.display, (), comment, _name(concept_map))
        elif rest.mode == "other-map" and rest.url:
            other = self.library.concept_map(*split(rest.url))
            if other is None:
                raise not_held("concept map", rest.url)
            yield from self.matches(other, asked)


def _match(concept_map: ConceptMap, group: Group, target: Target) -> Match:
    return Match(
        target.equivalence,
        group.target,
        group.target_version,
        target.code,
        target.display,
        target.products,
        target.comment,
        _name(concept_map),
    )


def _name(concept_map: ConceptMap) -> str:
    return canonical(concept_map.url, concept_map.version) if concept_map.url else ""


def _is(need: Need, dependency: Dependency) -> bool:
    if need.property != dependency.element:
        return False
    if need.system is None:
        codes = [code for _, code in dependency.codings]
        return need.value in codes or need.value == dependency.text
    return (need.system, need.value) in dependency.codings


def _told(match: Match, library: Library) -> Resource:
    part = [named("equivalence", valueCode=match.equivalence)]
    if match.code is not None:
        part.append(named("concept", valueCoding=_coding(match, library)))
    for need in match.products:
        coding = {"system": need.system, "code": need.value, "display": need.display}
        concept = {name: value for name, value in coding.items() if value is not None}
        inner = [named("element", valueUri=need.property), named("concept", valueCoding=concept)]
        part.append(named("product", part=inner))
    if match.map:
        part.append(named("source", valueUri=match.map))
    return named("match", part=part)


def _coding(match: Match, library: Library) -> dict[str, Any]:
    coding: dict[str, Any] = {}
    if match.system:
        coding["system"] = match.system
    if match.version:
        coding["version"] = match.version
    coding["code"] = match.code
    display = match.display
    if display is None and match.system and match.code:
        system = library.code_system(match.system)
        display = display_of(system.find(match.code) if system else None)
    return coding | ({"display": display} if display else {})


def _message(
    asked: Sequence[Asked], finder: _Finder, found: Sequence[Match], good: bool
) -> str | None:
    said = []
    if finder.missing:
        names = ", ".join(map(shown, finder.missing))
        said.append(f"There may be better matches if these dependencies are given: {names}")
    said += dict.fromkeys(match.comment for match in found if match.comment)
    if not good and not said:
        codes = ", ".join(f"{shown(one.system)}|{shown(one.code)}" for one in asked)
        said.append(f"No translation of {codes} is held here")
    return "; ".join(said) or None
