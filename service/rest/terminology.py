"""Terminology operations: $expand, $validate-code, $lookup, $subsumes, $translate.

R4: the OperationDefinitions of ValueSet, CodeSystem and ConceptMap. Answered from what is
shipped and what the caller sees in the store; a shipped resource also answers at instance level
under its id. The decisions are in `service.standard.terminology`.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from service.errors import Invalid, NotSupported
from service.rest import terminology_inputs as wanted
from service.rest.call import Answer, Call, Service
from service.rest.inputs import Inputs, inputs_of
from service.rest.routing import Interaction
from service.standard.codec import encode
from service.standard.terminology import expansion, lookup, translation, validate_code
from service.standard.terminology.answers import named, parameters
from service.standard.terminology.code_systems import CodeSystem, read_code_system
from service.standard.terminology.concept_maps import ConceptMap, read_concept_map
from service.standard.terminology.library import Library, split
from service.standard.terminology.refusals import not_held
from service.standard.terminology.translation import Asked
from service.standard.terminology.value_sets import ValueSet, read_value_set
from service.terminology.stored import StoredLibrary


def expand(service: Service, call: Call, asked: Interaction) -> Answer:
    """ValueSet/$expand and ValueSet/[id]/$expand."""
    given = inputs_of(service, call, wanted.EXPAND)
    wanted.refuse_past(given)
    with _library(call) as library:
        value_set = _value_set(asked, given, library)
        made = expansion.expand(
            value_set,
            library,
            wanted.expansion_wishes(given),
            identifier=f"urn:uuid:{uuid.uuid4()}",
            timestamp=datetime.now(UTC).isoformat(timespec="milliseconds"),
        )
    return Answer(200, encode(made))


def validate_in_value_set(service: Service, call: Call, asked: Interaction) -> Answer:
    """ValueSet/$validate-code and ValueSet/[id]/$validate-code."""
    given = inputs_of(service, call, wanted.VALIDATE_IN_SET)
    wanted.refuse_past(given)
    claims = wanted.claims(given, given.one("system"), given.one("systemVersion"))
    if given.all("code") and claims[0].system is None:
        raise Invalid("A code needs its system", code="required", location="http.system")
    with _library(call) as library:
        value_set = _value_set(asked, given, library)
        verdict = validate_code.in_value_set(value_set, claims, library, wanted.code_wishes(given))
    return Answer(200, encode(validate_code.answer(verdict)))


def validate_in_code_system(service: Service, call: Call, asked: Interaction) -> Answer:
    """CodeSystem/$validate-code and CodeSystem/[id]/$validate-code."""
    given = inputs_of(service, call, wanted.VALIDATE_IN_SYSTEM)
    wanted.refuse_past(given)
    claims = wanted.claims(given, None, given.one("version"))
    with _library(call) as library:
        if asked.id is not None:
            system: CodeSystem = library.instance(asked.type or "", asked.id)
        elif given.need_one_of("url", "codeSystem") == "codeSystem":
            system = read_code_system(given.one("codeSystem"))
        else:
            system = _code_system(library, given.one("url"), given.one("version"))
        verdict = validate_code.in_code_system(system, claims, wanted.code_wishes(given))
    return Answer(200, encode(validate_code.answer(verdict)))


def look_up(service: Service, call: Call, asked: Interaction) -> Answer:
    """CodeSystem/$lookup."""
    given = inputs_of(service, call, wanted.LOOKUP)
    wanted.refuse_past(given)
    given.need_one_of("code", "coding")
    coding = given.one("coding") or {"code": given.one("code"), "system": given.one("system")}
    if not coding.get("system") or not coding.get("code"):
        raise Invalid("$lookup needs a code and its system", code="required")
    with _library(call) as library:
        version = given.one("version") or coding.get("version")
        system = library.code_system(coding["system"], version)
        if system is None:
            raise not_held("code system", coding["system"], version)
        found = lookup.lookup(
            system,
            coding["code"],
            wanted=given.all("property"),
            language=given.one("displayLanguage"),
        )
    return Answer(200, encode(found))


def subsumes(service: Service, call: Call, asked: Interaction) -> Answer:
    """CodeSystem/$subsumes and CodeSystem/[id]/$subsumes."""
    given = inputs_of(service, call, wanted.SUBSUMES)
    codes = [wanted.end(given, "A"), wanted.end(given, "B")]
    said = {url for url in (given.one("system"), *(system for system, _ in codes)) if url}
    with _library(call) as library:
        if asked.id is not None:
            system: CodeSystem = library.instance(asked.type or "", asked.id)
            said.add(system.url)
        elif len(said) == 1:
            system = _code_system(library, next(iter(said)), given.one("version"))
        if len(said) != 1:
            told = "two systems" if said else "no system"
            raise Invalid(f"$subsumes was given {told}; it compares codes of one", code="required")
        outcome = lookup.subsumption(system, codes[0][1], codes[1][1])
    return Answer(200, encode(parameters(named("outcome", valueCode=outcome))))


def translate(service: Service, call: Call, asked: Interaction) -> Answer:
    """ConceptMap/$translate and ConceptMap/[id]/$translate."""
    given = inputs_of(service, call, wanted.TRANSLATE)
    codes = [
        Asked(claim.system, claim.code)
        for claim in wanted.claims(given, given.one("system"), None)
        if claim.system is not None
    ]
    if not codes:
        raise Invalid("A code needs its system", code="required", location="http.system")
    reverse = given.one("reverse") is True
    wishes = translation.Wishes(
        given.one("source"),
        given.one("target"),
        given.one("targetsystem"),
        reverse,
        tuple(wanted.dependency(part) for part in given.all("dependency")),
    )
    with _library(call) as library:
        maps = _concept_maps(asked, given, library, codes, reverse)
        found = translation.translate(codes, maps, library, wishes)
    return Answer(200, encode(found))


@contextmanager
def _library(call: Call) -> Iterator[StoredLibrary]:
    with call.reading(snapshot=True) as connection:
        yield StoredLibrary(connection, call.caller)


def _value_set(asked: Interaction, given: Inputs, library: StoredLibrary) -> ValueSet:
    if given.all("context"):
        raise NotSupported(
            "A value set is named by url here, not by context", location="http.context"
        )
    if asked.id is not None:
        found: ValueSet = library.instance(asked.type or "", asked.id)
        return found
    if given.need_one_of("url", "valueSet") == "valueSet":
        return read_value_set(given.one("valueSet"))
    url, version = split(given.one("url"))
    version = given.one("valueSetVersion") or version
    named_set = library.value_set(url, version)
    if named_set is None:
        raise not_held("value set", url, version)
    return named_set


def _code_system(library: Library, canonical: str, version: str | None) -> CodeSystem:
    url, own = split(canonical)
    found = library.code_system(url, version or own)
    if found is None:
        raise not_held("code system", url, version or own)
    return found


def _concept_maps(
    asked: Interaction,
    given: Inputs,
    library: StoredLibrary,
    codes: list[Asked],
    reverse: bool,
) -> list[ConceptMap]:
    if asked.id is not None:
        return [library.instance(asked.type or "", asked.id)]
    if given.all("url") or given.all("conceptMap"):
        if given.need_one_of("url", "conceptMap") == "conceptMap":
            return [read_concept_map(given.one("conceptMap"))]
        url, version = split(given.one("url"))
        version = given.one("conceptMapVersion") or version
        found = library.concept_map(url, version)
        if found is None:
            raise not_held("concept map", url, version)
        return [found]
    maps: dict[str, ConceptMap] = {}
    for system in dict.fromkeys(code.system for code in codes):
        for each in library.concept_maps(system, reverse=reverse):
            maps[each.url or str(id(each))] = each
    return list(maps.values())
