"""Which nodes does a FHIRPath engine find for a search parameter?

Evaluates the official expressions with fhirpathpy. Around its limits (2.2.4):

- a union forgets the types of its nodes: the alternatives are evaluated one by one;
- `as` takes one value only, and `ofType` leaves subtypes out: `where($this is T)` is put in
  their place, which says the same;
- `resolve()` and `hasExtension()` are missing: they are given to it;
- a path may not start at the abstract `Resource`: the type is put in its place.

To learn the group of a value, each repetition of the top-level element is evaluated alone.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterator
from typing import Any

import fhirpathpy
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

from service.standard.definitions import definitions

_NODE: Callable[..., Any] = ResourceNode
MODEL = "http://hl7.org/fhir/StructureDefinition/"


def found(expression: str, resource: dict[str, Any]) -> Iterator[tuple[int, str, Any, str]]:
    """(group, type, value, system that the binding of a code implies) of every node."""
    type_ = resource["resourceType"]
    for part in expression.split(" | "):
        path = re.sub(r"^(\(?)(Domain)?Resource\b", rf"\1{type_}", part)
        evaluate = _compiled(path)
        for group, cut in _groups(path, resource):
            for node in evaluate(cut, {}):
                if isinstance(node, bool):
                    yield group, "boolean", node, ""
                elif node.data is not None:
                    yield group, node.path, node.data, _system(path, node)


def _groups(path: str, resource: dict[str, Any]) -> Iterator[tuple[int, dict[str, Any]]]:
    step = re.match(r"\(?[A-Za-z]+\.([A-Za-z]+)", path)
    top = resource.get(step[1]) if step else None
    if step is None or not isinstance(top, list):
        yield 0, resource
        return
    for at, value in enumerate(top, 1):
        if value is not None:
            yield at, {**resource, step[1]: [value]}


@functools.cache
def _compiled(path: str) -> Callable[..., list[Any]]:
    plain = re.sub(r"\(([\w.]+) as (\w+)\)", r"\1.where($this is \2)", path)
    plain = re.sub(r"\.(?:as|ofType)\((\w+)\)", r".where($this is \1)", plain)
    functions = {
        "resolve": {"fn": _resolved, "arity": {0: []}},
        "hasExtension": {"fn": _extended, "arity": {1: ["String"]}},
    }
    options = {"returnRawData": True, "userInvocationTable": functions}
    compiled: Callable[..., list[Any]] = fhirpathpy.compile(plain, models["r4"], options)
    return compiled


def _resolved(nodes: list[Any]) -> list[Any]:
    """A stub of the type that the reference shows."""
    kinds = []
    for node in nodes:
        value = node.data if isinstance(node, ResourceNode) else node
        literal = value.get("reference", "")
        shown = re.search(r"(?:^|/)([A-Z][A-Za-z]+)/[A-Za-z0-9.-]+(?:/_history/.*)?$", literal)
        kind = shown[1] if shown else value.get("type", "").removeprefix(MODEL)
        kinds += [_NODE({"resourceType": kind}, kind)] if kind else []
    return kinds


def _extended(nodes: list[Any], url: str) -> list[bool]:
    values = [node.data if isinstance(node, ResourceNode) else node for node in nodes]
    return [any(e["url"] == url for value in values for e in value.get("extension", []))]


def _system(path: str, node: Any) -> str:
    """Of a bare code: what the required binding of its element implies."""
    if node.path != "code":
        return ""
    place, element = "", None
    for step in re.sub(r"\.where\([^)]*\)|[()]", "", path).split("."):
        if not place:
            place = step
            continue
        element = definitions().elements(place)[step]
        place = element.children
    binding = element.binding if element else None
    return definitions().binding_system(binding, node.data) if binding else ""
