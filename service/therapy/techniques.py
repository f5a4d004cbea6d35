"""Which techniques are there, and what is known of each?

Read from the ActivityDefinitions of `mappings/techniques`, one file a technique, and the stimuli of
`mappings/code-systems/stimulus.json`. A new technique is a new file; nothing here knows single
codes. R4: http://hl7.org/fhir/R4/activitydefinition.html.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.data import mappings
from service.therapy.references import EXTENSIONS, words

Resource = dict[str, Any]
Code = tuple[str, str]
"""System and code."""


@dataclass(frozen=True, slots=True)
class Technique:
    """A technique as its file tells it. `cautions` are codes of our caution code system."""

    url: str
    title: str
    codes: frozenset[Code]
    stimuli: tuple[Code, ...]
    motions: tuple[Code, ...]
    regions: frozenset[Code]
    tasks: tuple[str, ...]
    cautions: frozenset[str]
    wanted: str
    grade: str
    definition: Resource


class Catalogue:
    """Techniques by code and by canonical URL; of several with one code, the later one counts."""

    def __init__(self, techniques: Iterable[Technique]) -> None:
        self.techniques = tuple(techniques)
        self._by_code = {code: each for each in self.techniques for code in each.codes}
        self._by_url = {each.url: each for each in self.techniques}

    def of(self, resource: Resource) -> Technique | None:
        """The technique that an order, a Procedure or a definition is about."""
        for canonical in resource.get("instantiatesCanonical", ()):
            found = self.at(canonical)
            if found is not None:
                return found
        known = (self._by_code.get(code) for code in codes_of(resource.get("code")))
        return next((each for each in known if each is not None), None)

    def at(self, canonical: str) -> Technique | None:
        """The technique with this canonical URL, whatever version it asks for."""
        return self._by_url.get(canonical.partition("|")[0])

    def with_more(self, definitions: Iterable[Resource]) -> Catalogue:
        """This catalogue and the techniques that these ActivityDefinitions describe."""
        more = [technique_of(each) for each in definitions]
        return Catalogue((*self.techniques, *more)) if more else self


@functools.cache
def catalogue() -> Catalogue:
    """The techniques of `mappings/techniques`, in the order of their files' names.

    Raises ValueError naming a file that cannot be read.
    """
    return Catalogue(map(technique_of, _read_folder(mappings("techniques"))))


@functools.cache
def stimulus_facts() -> Mapping[Code, frozenset[str]]:
    """What is true of each stimulus: `in-mouth`, `cold`, `swab`, … as its concept says."""
    content = json.loads(mappings("code-systems", "stimulus.json").read_bytes())
    return {
        (content["url"], concept["code"]): frozenset(
            fact["code"] for fact in concept.get("property", ()) if fact.get("valueBoolean")
        )
        for concept in content["concept"]
    }


def technique_of(definition: Resource) -> Technique:
    """What an ActivityDefinition says of its technique; what it leaves out is empty."""
    evidence = extensions_of(definition, "evidence")
    grades = [part.get("valueCoding", {}).get("code", "") for part in _parts(evidence, "grade")]
    wanted = [each.get("valueString", "") for each in extensions_of(definition, "wanted-response")]
    tasks = extensions_of(definition, "functional-task")
    code = definition.get("code")
    return Technique(
        url=definition.get("url", ""),
        title=definition.get("title") or words(code),
        codes=frozenset(codes_of(code)),
        stimuli=_coded(definition, "stimulus"),
        motions=_coded(definition, "stroke-motion"),
        regions=frozenset(c for site in definition.get("bodySite", ()) for c in codes_of(site)),
        tasks=tuple(each.get("valueCanonical", "") for each in tasks),
        cautions=frozenset(code for _, code in _coded(definition, "technique-caution")),
        wanted=next(iter(wanted), ""),
        grade=next(iter(grades), ""),
        definition=definition,
    )


def extensions_of(element: Resource, name: str) -> list[Resource]:
    """Our extensions of this name, in their order."""
    return [each for each in element.get("extension", ()) if each.get("url") == EXTENSIONS + name]


def codes_of(concept: Resource | None) -> list[Code]:
    """System and code of every coding of a CodeableConcept."""
    codings = (concept or {}).get("coding", ())
    return [(each.get("system", ""), each["code"]) for each in codings if "code" in each]


def _coded(definition: Resource, name: str) -> tuple[Code, ...]:
    found = extensions_of(definition, name)
    return tuple(code for each in found for code in codes_of(each.get("valueCodeableConcept")))


def _parts(extensions: Iterable[Resource], url: str) -> list[Resource]:
    return [part for each in extensions for part in each.get("extension", ()) if part["url"] == url]


def _read_folder(folder: Path) -> Iterator[Resource]:
    for path in sorted(folder.glob("*.json")):
        try:
            yield json.loads(path.read_bytes())
        except ValueError as error:
            raise ValueError(f"mappings/{folder.name}/{path.name}: {error}") from error
