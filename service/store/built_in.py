"""How do the definitions of mappings/ get into the store, so that they are read and searched?

Every CodeSystem, ValueSet, ConceptMap, ActivityDefinition, PlanDefinition, Questionnaire and
StructureDefinition of `mappings/*/*.json` is kept under its own id. Its id and its canonical URL
belong to the service: where what is stored differs from the file, the file becomes the next
version. What users store under other ids is never touched, nor is a resource that has one of our
ids but another URL. `meta.source` says which file a resource comes from.

Comparing costs a read a file and writes nothing; processes that start at once write once, as each
looks again when it is the only writer.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from service.caller import Caller
from service.data import mappings
from service.errors import HyoidError, Invalid
from service.standard.codec import decode, decode_resource, encode
from service.standard.meta import stamped
from service.standard.validation import check
from service.store.connection import Connection
from service.store.current import current_version
from service.store.rows import Stored
from service.store.store import Store

Resource = dict[str, Any]
State = Literal["same", "differs", "taken"]

SERVICE = Caller("the service itself", frozenset({"system/*.cruds"}))
SOURCE = "https://hyoid.example/mappings/"

DEFINITIONAL = frozenset(
    {
        "CodeSystem",
        "ValueSet",
        "ConceptMap",
        "ActivityDefinition",
        "PlanDefinition",
        "Questionnaire",
        "StructureDefinition",
    }
)

_OFFICIAL = "r4"
"""Tables compiled from the official package: no resources."""


@dataclass(slots=True)
class Installed:
    """What was written, and which ids are taken by resources of others, as `Type/id`."""

    written: list[str] = field(default_factory=list)
    taken: list[str] = field(default_factory=list)


def install_definitions(store: Store, folder: Path | None = None) -> Installed:
    """Make the stored definitions those of `mappings/`.

    Raises Invalid naming the file that breaks the rules of R4; then nothing is written.
    """
    definitions = list(definitions_in(folder or mappings()))
    with store.reader(snapshot=True) as connection:
        states = [_state(each, _current(connection, each)) for each in definitions]
    if "differs" not in states:
        return Installed(taken=_names(definitions, states, "taken"))
    for each, state in zip(definitions, states, strict=True):
        if state == "differs":
            with _in_file(each["meta"]["source"].removeprefix(SOURCE)):
                check(each)
    return _write(store, definitions)


def definitions_in(folder: Path) -> Iterator[Resource]:
    """The definitions of a folder like mappings/, each with its file as `meta.source`."""
    for path in sorted(folder.glob("*/*.json")):
        raw = path.read_bytes()
        if path.parent.name == _OFFICIAL or b'"resourceType"' not in raw:
            continue
        with _in_file(f"{path.parent.name}/{path.name}"):
            resource = decode(raw)
        if resource.get("resourceType") in DEFINITIONAL and "id" in resource:
            source = {"source": f"{SOURCE}{path.parent.name}/{path.name}"}
            yield resource | {"meta": resource.get("meta", {}) | source}


@contextmanager
def _in_file(name: str) -> Iterator[None]:
    try:
        yield
    except HyoidError as error:
        raise Invalid(f"mappings/{name}: {error}") from error


def _write(store: Store, definitions: list[Resource]) -> Installed:
    states: list[State] = []
    with store.write(SERVICE) as unit:
        for each in definitions:
            current = unit.current(each["resourceType"], each["id"])
            states.append(_state(each, current))
            if states[-1] == "differs":
                unit.append(each, each["id"], "", method="PUT", current=current)
    return Installed(_names(definitions, states, "differs"), _names(definitions, states, "taken"))


def _state(definition: Resource, current: Stored | None) -> State:
    """What is stored under our id: the same, an older one of ours (or nothing), or another's."""
    if current is None or current.body is None:
        return "differs"
    if current.body == encode(stamped(definition, current.id, current.vid, current.updated)):
        return "same"
    is_ours = decode_resource(current.body).get("url") == definition.get("url")
    return "differs" if is_ours else "taken"


def _names(definitions: list[Resource], states: list[State], wanted: State) -> list[str]:
    return [
        f"{each['resourceType']}/{each['id']}"
        for each, state in zip(definitions, states, strict=True)
        if state == wanted
    ]


def _current(connection: Connection, definition: Resource) -> Stored | None:
    return current_version(connection, SERVICE, definition["resourceType"], definition["id"])
