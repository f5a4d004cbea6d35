"""Do the codes in a mappings folder exist, and are they called what they are called?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.commands._mapping_files import OWN, Finding, Folder, Json, codings_in, walk
from service.errors import HyoidError
from service.standard.terminology.code_systems import Concept
from service.standard.terminology.library import split
from service.standard.terminology.members import Evaluation

OPEN = frozenset({"urn:ietf:bcp:47", "urn:ietf:bcp:13", "urn:ietf:rfc:3986"})
"""Systems without a list of codes."""

UCUM = "http://unitsofmeasure.org"
"""Its units have codes; how they are shown is not laid down."""

LICENSED = {
    "http://snomed.info/sct": "SNOMED",
    "http://loinc.org": "LOINC",
    "http://hl7.org/fhir/sid/icf": "World Health Organization",
}
"""Systems whose notice has to stand where their codes are listed, and a word of the notice."""


def check_codings(folder: Folder) -> Iterator[Finding]:
    """Every system and code that stands together leads to a concept with that display."""
    for file in folder.files:
        for place, held in walk(file.content):
            for coding in codings_in(held):
                if coding["system"] not in OPEN and isinstance(coding.get("code"), str):
                    yield from _coding(folder, file.name, place, coding)


def _coding(folder: Folder, file: str, place: str, coding: Json) -> Iterator[Finding]:
    system, code = coding["system"], coding["code"]
    held = folder.shelf.code_system(system)
    if held is None:
        yield Finding(file, place, f"the code system {system} is not held")
        return
    concept = held.find(code)
    if concept is None:
        more = "" if held.is_whole else "; add it to code-systems/fragments once it is verified"
        yield Finding(file, place, f"{system} has no code {code!r}{more}")
        return
    display = coding.get("display")
    if display is not None and display != concept.display and system != UCUM:
        told = "has no verified display" if concept.display is None else f"is {concept.display!r}"
        yield Finding(file, place, f"{code} is called {display!r}, but it {told}")


def check_second_hand(folder: Folder) -> Iterator[Finding]:
    """A code that was verified second hand only stands beside another code or a text."""
    for file in folder.files:
        for place, held in walk(file.content):
            codings = held.get("coding")
            if not isinstance(codings, list) or not codings or held.get("text"):
                continue
            grades = [_grade(folder, coding) for coding in codings]
            if all(grade == "B" for grade in grades):
                yield Finding(file.name, place, "only codes of grade B, and no text beside them")


def _grade(folder: Folder, coding: Json) -> str:
    system = folder.shelf.code_system(str(coding.get("system")))
    concept = system.find(str(coding.get("code"))) if system else None
    grades = concept.values("grade") if concept else []
    return str(grades[0]) if grades else "A"


def check_value_sets(folder: Folder) -> Iterator[Finding]:
    """Every value set can be expanded, and leaves no code out as unknown."""
    for file, resource in folder.resources("ValueSet"):
        try:
            value_set = folder.shelf.value_set(resource["url"])
            assert value_set is not None
            evaluation = Evaluation(folder.shelf)
            if not evaluation.members(value_set):
                yield Finding(file, "compose", "has no codes")
            for warning in evaluation.warnings:
                yield Finding(file, "compose", warning)
        except HyoidError as error:
            yield Finding(file, "compose", str(error))


def check_concept_maps(folder: Folder) -> Iterator[Finding]:
    """Codes on both sides exist, are called right, and are in the value sets of the map."""
    for file, resource in folder.resources("ConceptMap"):
        sides = {
            side: _members(folder, resource.get(f"{side}Canonical"))
            for side in ("source", "target")
        }
        for number, group in enumerate(resource.get("group", ())):
            for index, element in enumerate(group.get("element", ())):
                place = f"group[{number}].element[{index}]"
                ends = [("source", element, place)]
                ends += [
                    ("target", target, f"{place}.target[{n}]")
                    for n, target in enumerate(element.get("target", ()))
                    if "code" in target
                ]
                for side, held, at in ends:
                    coding = {k: held[k] for k in ("code", "display") if k in held}
                    coding["system"] = group.get(side)
                    yield from _coding(folder, file, at, coding)
                    members = sides[side]
                    if members is not None and (group.get(side), held["code"]) not in members:
                        text = f"{held['code']!r} is not in the {side} value set of the map"
                        yield Finding(file, at, text)


def _members(folder: Folder, url: Any) -> set[tuple[str, str]] | None:
    value_set = folder.shelf.value_set(*split(url)) if isinstance(url, str) else None
    if value_set is None:
        return None
    try:
        return {member.key for member in Evaluation(folder.shelf).members(value_set)}
    except HyoidError:
        return None


def check_properties(folder: Folder) -> Iterator[Finding]:
    """Properties of concepts are declared, of the declared type, and lead to codes that exist."""
    for file, resource in folder.resources("CodeSystem"):
        declared = {p["code"]: p for p in resource.get("property", ())}
        for number, concept in enumerate(resource.get("concept", ())):
            for entry in concept.get("property", ()):
                place = f"concept[{number}].property.{entry['code']}"
                known = declared.get(entry["code"])
                if known is None:
                    yield Finding(file, place, "the property is not declared")
                    continue
                kind = known["type"]
                if f"value{kind[0].upper()}{kind[1:]}" not in entry:
                    yield Finding(file, place, f"the value is not of the declared type {kind}")
                yield from _property_code(folder, file, place, known, entry, resource)


def _property_code(
    folder: Folder, file: str, place: str, known: Json, entry: Json, resource: Json
) -> Iterator[Finding]:
    code = entry.get("valueCode")
    if not isinstance(code, str):
        return
    if entry["code"] in ("parent", "child"):
        urls = [resource["url"]]
    else:
        words = str(known.get("description", "")).split()
        urls = [word.rstrip(".,;:") for word in words if word.startswith(f"{OWN}CodeSystem/")]
    for url in urls:
        system = folder.shelf.code_system(url)
        if system is None or system.find(code) is None:
            yield Finding(file, place, f"{url} has no code {code!r}")


def check_counts(folder: Folder) -> Iterator[Finding]:
    """A code system has each code once, says how many there are, and what each is called."""
    for file, resource in folder.resources("CodeSystem"):
        codes = [concept["code"] for concept in resource.get("concept", ())]
        if len(set(codes)) != len(codes):
            yield Finding(file, "concept", "a code is there twice")
        if resource.get("count") != len(codes):
            yield Finding(file, "count", f"there are {len(codes)} concepts")
        if resource.get("content") == "complete":
            for concept in resource.get("concept", ()):
                if not concept.get("display"):
                    yield Finding(file, "concept", f"{concept['code']} has no display")


def check_notices(folder: Folder) -> Iterator[Finding]:
    """The owner's notice stands where codes of LOINC, SNOMED CT or ICF are listed."""
    for file, resource in folder.resources("CodeSystem", "ValueSet", "ConceptMap"):
        notice = str(resource.get("copyright", ""))
        for system in _systems(resource):
            word = LICENSED.get(system)
            if word is not None and word not in notice:
                yield Finding(file, "copyright", f"there is no notice for {system}")


def _systems(resource: Json) -> set[str]:
    if resource["resourceType"] == "CodeSystem":
        return {resource["url"]}
    if resource["resourceType"] == "ConceptMap":
        groups = resource.get("group", ())
        return {str(group.get(side)) for group in groups for side in ("source", "target")}
    return {str(part.get("system")) for part in resource.get("compose", {}).get("include", ())}


def check_references(folder: Folder) -> Iterator[Finding]:
    """Codes of ICD-10-CM are those of the tabular list, where simple-icd-10-cm is installed."""
    import warnings

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import simple_icd_10_cm as tabular
    except ImportError:
        return
    held = folder.shelf.code_system("http://hl7.org/fhir/sid/icd-10-cm")
    file = "code-systems/fragments/icd-10-cm.json"
    for concept in _concepts(held):
        if not tabular.is_valid_item(concept.code):
            yield Finding(file, concept.code, "is no code of ICD-10-CM")
        elif tabular.get_description(concept.code) != concept.display:
            described = tabular.get_description(concept.code)
            yield Finding(file, concept.code, f"is called {described!r} in the tabular list")


def _concepts(system: Any) -> list[Concept]:
    return list(system.concepts.values()) if system is not None else []
