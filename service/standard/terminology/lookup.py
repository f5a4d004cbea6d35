"""What is known of a code? And which of two codes is above the other?

R4: OperationDefinition-CodeSystem-lookup, OperationDefinition-CodeSystem-subsumes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from service.errors import NotFound
from service.standard.terminology.answers import Resource, named, parameters
from service.standard.terminology.code_systems import CodeSystem, Concept
from service.standard.terminology.displays import display_of, speaks
from service.standard.terminology.refusals import NotUnderstood, shown


def lookup(
    system: CodeSystem,
    code: str,
    *,
    wanted: Sequence[str] = (),
    language: str | None = None,
) -> Resource:
    """The answer of $lookup. Raises NotFound.

    `wanted` are the properties asked for; without any, everything that is known is told.
    """
    concept = known(system, code)
    found = [named("name", valueString=system.name)]
    if system.version:
        found.append(named("version", valueString=system.version))
    display = display_of(concept, language=language) or concept.code
    found.append(named("display", valueString=display))
    found += _designations(system, concept, wanted)
    found += [
        entry
        for entry in _properties(system, concept)
        if not wanted or entry["part"][0]["valueCode"] in wanted
    ]
    return parameters(*found)


def known(system: CodeSystem, code: str) -> Concept:
    """The concept of a code. Raises NotFound."""
    concept = system.find(code)
    if concept is None:
        part = "" if system.is_whole else " in the part of it that is held here"
        raise NotFound(f"{system.url} has no code {shown(code)!r}{part}")
    return concept


def subsumption(system: CodeSystem, code_a: str, code_b: str) -> str:
    """The outcome of $subsumes. Raises NotFound, NotUnderstood."""
    a, b = known(system, code_a), known(system, code_b)
    if a is b:
        return "equivalent"
    if not system.subsumes:
        raise NotUnderstood(
            f"{system.url} does not say what is a kind of what: its hierarchy is {system.meaning}"
        )
    if b.code in system.below(a.code):
        return "subsumes"
    if a.code in system.below(b.code):
        return "subsumed-by"
    if not system.is_whole:
        raise NotUnderstood(f"{system.url} is held here only in part, so this cannot be told")
    return "not-subsumed"


def _designations(
    system: CodeSystem, concept: Concept, wanted: Sequence[str]
) -> Iterator[Resource]:
    languages = [name.removeprefix("lang.") for name in wanted if name.startswith("lang.")]
    for each in concept.designations:
        language = each.get("language")
        if wanted and "designation" not in wanted and not _any(language, languages):
            continue
        part = [named("language", valueCode=language)] if language else []
        if each.get("use"):
            part.append(named("use", valueCoding=dict(each["use"])))
        part.append(named("value", valueString=each.get("value")))
        yield named("designation", part=part)


def _any(language: str | None, wanted: Sequence[str]) -> bool:
    return any(speaks(language, each) for each in wanted)


def _properties(system: CodeSystem, concept: Concept) -> Iterator[Resource]:
    yield _property("url", valueUri=system.url)
    if concept.definition:
        yield _property("definition", valueString=concept.definition)
    for name, codes in (("parent", concept.parents), ("child", concept.children)):
        for code in codes:
            yield _property(name, system.concepts[code].display, valueCode=code)
    stated = {"parent", "child", "subsumedBy"}
    if concept.inactive or "inactive" in system.declared:
        stated.add("inactive")
        yield _property("inactive", valueBoolean=concept.inactive)
    for name, kind, value in concept.properties:
        if name not in stated:
            yield _property(name, _described(value), **{kind: value})


def _property(name: str, description: str | None = None, **value: Any) -> Resource:
    part = [named("code", valueCode=name), named("value", **value)]
    if description:
        part.append(named("description", valueString=description))
    return named("property", part=part)


def _described(value: Any) -> str | None:
    return value.get("display") if isinstance(value, dict) else None
