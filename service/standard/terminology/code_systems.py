"""What is in a code system: which concepts, and which of them lies below which?

R4: http://hl7.org/fhir/R4/codesystem.html. Concepts lie below others by nesting, or by a
property `parent`, `child` or `subsumedBy` (codesystem-concept-properties.html).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

_PROPERTIES = "http://hl7.org/fhir/concept-properties#"
_UP = frozenset({"parent", "subsumedBy"})
_DOWN = frozenset({"child"})
_INACTIVE = frozenset({"retired", "inactive", "withdrawn"})
_WHOLE = frozenset({"complete"})
_SUBSUMES = frozenset({None, "is-a", "classified-with"})


@dataclass(slots=True)
class Concept:
    """A concept. `properties` holds (code, type, value), type as in `valueCode`."""

    code: str
    display: str | None
    definition: str | None = None
    designations: tuple[Mapping[str, Any], ...] = ()
    properties: tuple[tuple[str, str, Any], ...] = ()
    parents: list[str] = field(default_factory=list)
    children: list[str] = field(default_factory=list)
    inactive: bool = False
    abstract: bool = False

    def values(self, code: str) -> list[Any]:
        """The values of a property."""
        return [value for name, _, value in self.properties if name == code]


@dataclass(slots=True)
class CodeSystem:
    """A code system. `declared` are the properties that its concepts may have, by code."""

    url: str
    version: str | None
    name: str
    content: str
    case_sensitive: bool
    meaning: str | None
    value_set: str | None
    language: str | None
    declared: frozenset[str]
    concepts: dict[str, Concept]
    folded: dict[str, str]

    @property
    def is_whole(self) -> bool:
        """Whether a code that is not here is none of the system's."""
        return self.content in _WHOLE

    @property
    def subsumes(self) -> bool:
        """Whether a concept below another is one of its kind."""
        return self.meaning in _SUBSUMES

    def find(self, code: str) -> Concept | None:
        """The concept of a code, in whatever case where case does not matter."""
        found = self.concepts.get(code)
        if found is None and not self.case_sensitive:
            found = self.concepts.get(self.folded.get(code.casefold(), ""))
        return found

    def below(self, code: str) -> dict[str, None]:
        """Codes of everything below a concept, in the order of the system; without itself."""
        return self._reached(code, lambda concept: concept.children)

    def above(self, code: str) -> dict[str, None]:
        """Codes of everything above a concept; without itself."""
        return self._reached(code, lambda concept: concept.parents)

    def _reached(self, code: str, step: Any) -> dict[str, None]:
        found: dict[str, None] = {}
        start = self.concepts.get(code)
        waiting = list(reversed(step(start))) if start else []
        while waiting:
            name = waiting.pop()
            if name in found or name == code:
                continue
            found[name] = None
            waiting += reversed(step(self.concepts[name]))
        return found


def read_code_system(resource: Mapping[str, Any]) -> CodeSystem:
    """The code system that a CodeSystem resource defines."""
    declared = [entry for entry in _objects(resource, "property") if "code" in entry]
    roles = {entry["code"]: _role(entry) for entry in declared}
    concepts: dict[str, Concept] = {}
    for raw, parent in _nested(_objects(resource, "concept")):
        concept = concepts.setdefault(raw["code"], _concept(raw, roles))
        if parent is not None and parent not in concept.parents:
            concept.parents.append(parent)
            concepts[parent].children.append(concept.code)
    _link(concepts, roles)
    case_sensitive = resource.get("caseSensitive", True) is not False
    return CodeSystem(
        url=resource.get("url") or "",
        version=resource.get("version"),
        name=resource.get("name") or resource.get("title") or resource.get("url") or "",
        content=resource.get("content", "not-present"),
        case_sensitive=case_sensitive,
        meaning=resource.get("hierarchyMeaning"),
        value_set=resource.get("valueSet"),
        language=resource.get("language"),
        declared=frozenset(roles),
        concepts=concepts,
        folded={} if case_sensitive else {code.casefold(): code for code in concepts},
    )


def _nested(
    top: Iterable[Mapping[str, Any]],
) -> Iterator[tuple[Mapping[str, Any], str | None]]:
    """Every concept, parents first, in the order they are written, with the code above it."""
    waiting = [(concept, None) for concept in reversed(list(top))]
    stack: list[tuple[Mapping[str, Any], str | None]] = list(waiting)
    while stack:
        raw, parent = stack.pop()
        if not isinstance(raw.get("code"), str):
            continue
        yield raw, parent
        stack += [(inner, raw["code"]) for inner in reversed(_objects(raw, "concept"))]


def _concept(raw: Mapping[str, Any], roles: Mapping[str, str]) -> Concept:
    properties = tuple(_properties(raw))
    inactive = abstract = False
    for code, _, value in properties:
        role = roles.get(code, code)
        inactive = inactive or (role == "inactive" and value is True)
        inactive = inactive or (role == "status" and value in _INACTIVE)
        abstract = abstract or (role in ("notSelectable", "abstract") and value is True)
    return Concept(
        raw["code"],
        raw.get("display"),
        raw.get("definition"),
        tuple(_objects(raw, "designation")),
        properties,
        inactive=inactive,
        abstract=abstract,
    )


def _properties(raw: Mapping[str, Any]) -> Iterator[tuple[str, str, Any]]:
    for entry in _objects(raw, "property"):
        for key, value in entry.items():
            if key.startswith("value") and "code" in entry:
                yield entry["code"], key, value


def _link(concepts: dict[str, Concept], roles: Mapping[str, str]) -> None:
    """Add what properties say of above and below to what the nesting says."""
    for concept in concepts.values():
        for code, _, value in concept.properties:
            role = roles.get(code, code)
            if not isinstance(value, str) or value not in concepts or value == concept.code:
                continue
            if role in _UP:
                _tie(concepts[value], concept)
            elif role in _DOWN:
                _tie(concept, concepts[value])


def _tie(upper: Concept, lower: Concept) -> None:
    if upper.code not in lower.parents:
        lower.parents.append(upper.code)
        upper.children.append(lower.code)


def _role(entry: Mapping[str, Any]) -> str:
    """What a property stands for: its standard meaning, else its own code."""
    uri = entry.get("uri")
    if isinstance(uri, str) and uri.startswith(_PROPERTIES):
        return uri.removeprefix(_PROPERTIES)
    return str(entry["code"])


def _objects(value: Mapping[str, Any], name: str) -> list[Any]:
    return [each for each in value.get(name) or () if isinstance(each, dict)]
