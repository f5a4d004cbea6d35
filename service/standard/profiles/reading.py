"""How is a StructureDefinition read into the tree of what it asks for?

From its differential, which says what is added to the base; from the snapshot where there is no
differential. What cannot be checked is told in `Profile.unchecked`, not passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from service.errors import Severity
from service.standard.profiles.model import (
    CORE,
    Binding,
    Constraint,
    Discriminator,
    Node,
    Profile,
    Slicing,
    TypeRule,
)
from service.standard.profiles.shapes import Shapes, elements_named, shapes_of
from service.standard.profiles.slices import undecided
from service.standard.validation.fhirpath.counting import CountedCompiler
from service.standard.validation.fhirpath.tree import NotReadableError, read
from service.standard.validation.references import known_types

_STEP = re.compile(r"(?:[A-Za-z][A-Za-z0-9]*(?:\[x\])?|\$this|resolve\(\))")
_EXTENSION_STEP = re.compile(r"extension\('([^']+)'\)")
_DEEPEST = 40
_MOST_LEFT = 200
_NOT_CHECKED = ("minValue", "maxValue")
_DISCRIMINATORS = frozenset({"value", "pattern", "type", "exists"})


def read_profile(resource: Mapping[str, Any]) -> Profile:
    """The profile that a StructureDefinition resource defines."""
    return _Reader(resource).profile()


class _Reader:
    def __init__(self, resource: Mapping[str, Any]) -> None:
        self.resource = resource
        self.type = str(resource.get("type"))
        self.unchecked: dict[str, None] = {}

    def profile(self) -> Profile:
        raw = self.resource
        whole = "differential" not in raw
        elements = (raw.get("snapshot" if whole else "differential") or {}).get("element") or []
        root = Node(self.type, self.type)
        for element in elements:
            identity = element.get("id") or element.get("path") or ""
            node = self._place(root, identity)
            if node is not None:
                self._fill(node[0], element, node[1], whole)
        self._finish(root)
        contexts = []
        for context in raw.get("context") or ():
            if context.get("type") in ("element", "extension"):
                contexts.append((context["type"], str(context.get("expression"))))
            else:
                self._leave(f"the context {context.get('expression')!r}, an expression")
        for expression in raw.get("contextInvariant") or ():
            self._leave(f"the context rule {expression!r}")
        if not elements:
            self._leave("anything: there is neither a differential nor a snapshot")
        return Profile(
            url=str(raw.get("url")),
            version=raw.get("version"),
            title=str(raw.get("title") or raw.get("name") or raw.get("url")),
            type=self.type,
            base=str(raw.get("baseDefinition") or ""),
            root=root,
            contexts=tuple(contexts),
            unchecked=tuple(self.unchecked),
        )

    def _leave(self, what: str) -> None:
        if len(self.unchecked) < _MOST_LEFT:
            self.unchecked[what] = None

    def _finish(self, node: Node) -> None:
        """Look for slices that cannot be told apart, and types that are not looked into."""
        if node.slices and node.slicing is None and node.name in ("extension", "modifierExtension"):
            node.slicing = Slicing((Discriminator("value", ("url",)),), "open", False)
        for each in node.slices.values():
            if node.slicing is None or undecided(each, node.slicing) is not None:
                self._leave(f"the slice {each.slice!r} of {node.path}: nothing tells it apart")
            self._finish(each)
        for rule in node.types:
            if rule.profiles and rule.code != "Extension":
                self._leave(f"the profiles {', '.join(rule.profiles)} at {node.path}")
            for target in rule.targets:
                if target.removeprefix(CORE) not in known_types() | {"Resource"}:
                    self._leave(f"whether what {node.path} leads to keeps to {target}")
        for child in node.children.values():
            self._finish(child)

    def _place(self, root: Node, identity: str) -> tuple[Node, Shapes] | None:
        """The node of an element id (`Observation.category:survey.coding`), made where new."""
        first, *steps = identity.split(".")
        if first.partition(":")[0] != self.type or len(steps) > _DEEPEST:
            self._leave(f"the element {identity[:80]!r}, which is none of {self.type}")
            return None
        node, shapes = root, frozenset({self.type})
        for step in steps:
            name, _, slice_name = step.partition(":")
            bare = name.removesuffix("[x]")
            found = elements_named(shapes, bare)
            shorthand = next((e.choice for e in found if e.choice and e.name == bare), "")
            if shorthand:
                bare, slice_name = shorthand, slice_name or bare
            if not found:
                self._leave(f"the element {identity[:80]!r}, which the type does not have")
                return None
            child = node.children.setdefault(bare, Node(f"{node.path}.{name}", bare))
            shapes = shapes_of(found)
            if slice_name:
                if "/" in slice_name:
                    self._leave(f"the slice {slice_name!r} of a slice at {child.path}")
                    return None
                if shorthand and child.slicing is None:
                    child.slicing = Slicing((Discriminator("type", ()),), "closed", False)
                child = child.slices.setdefault(slice_name, Node(child.path, bare, slice_name))
                if shorthand:
                    code = next(e.type for e in found if e.name == step.partition(":")[0])
                    child.types = (TypeRule(code, (), ()),)
            node = child
        return node, shapes

    def _fill(self, node: Node, element: Mapping[str, Any], shapes: Shapes, whole: bool) -> None:
        """Take over what the element says; a snapshot also repeats what R4 says anyway."""
        base = element.get("base") or {} if whole else {}
        if "min" in element and element["min"] != base.get("min"):
            node.min = _number(element["min"])
        if "max" in element and element["max"] != base.get("max"):
            node.max = _number(element["max"])
        if "type" in element and not (whole and element.get("path", "").count(".") == 0):
            node.types = tuple(_types(element["type"])) or node.types
        for key, value in element.items():
            if key.startswith("fixed"):
                node.fixed = value
            elif key.startswith("pattern"):
                node.pattern = value
            elif key.startswith(_NOT_CHECKED):
                self._leave(f"{key} at {node.path}")
        if "maxLength" in element:
            node.longest = _number(element["maxLength"])
        binding = element.get("binding") or {}
        if "valueSet" in binding:
            node.binding = Binding(str(binding.get("strength")), str(binding["valueSet"]))
        self._read_slicing(node, element)
        node.constraints += tuple(self._constraints(element, shapes, node.path, whole))

    def _read_slicing(self, node: Node, element: Mapping[str, Any]) -> None:
        slicing = element.get("slicing")
        if slicing is None:
            return
        found = []
        for each in slicing.get("discriminator") or ():
            steps = _steps(str(each.get("path")))
            kind = str(each.get("type"))
            if steps is None or kind not in _DISCRIMINATORS:
                self._leave(f"the slices of {node.path}, told apart by {kind} {each.get('path')!r}")
                node.slicing = None
                return
            found.append(Discriminator(kind, steps))
        if not found:
            self._leave(f"the slices of {node.path}, which nothing tells apart")
            return
        rules = str(slicing.get("rules"))
        node.slicing = Slicing(tuple(found), rules, slicing.get("ordered") is True)

    def _constraints(
        self, element: Mapping[str, Any], shapes: Shapes, path: str, whole: bool
    ) -> Iterator[Constraint]:
        for raw in element.get("constraint") or ():
            key, expression = str(raw.get("key")), raw.get("expression")
            if whole and raw.get("source") != self.resource.get("url"):
                continue
            if not isinstance(expression, str):
                self._leave(f"the rule {key} at {path}, which has no FHIRPath")
                continue
            try:
                test = CountedCompiler(self.type).truth(read(expression), shapes or None)
            except (NotReadableError, RecursionError):
                self._leave(f"the rule {key} at {path}: its FHIRPath is not read here")
                continue
            severity: Severity = "warning" if raw.get("severity") == "warning" else "error"
            yield Constraint(key, severity, str(raw.get("human")), test)


def _types(kinds: list[Mapping[str, Any]]) -> Iterator[TypeRule]:
    for kind in kinds:
        code = str(kind.get("code"))
        if not code.startswith("http://hl7.org/fhirpath/"):
            profiles, targets = kind.get("profile") or (), kind.get("targetProfile") or ()
            yield TypeRule(code.removeprefix(CORE), tuple(profiles), tuple(targets))


def _steps(path: str) -> tuple[str, ...] | None:
    """The steps of a discriminator's path; None where it is more than is read here."""
    extension = _EXTENSION_STEP.fullmatch(path)
    if extension is not None:
        return (f"extension={extension[1]}",)
    steps = path.split(".")
    if not all(_STEP.fullmatch(step) for step in steps):
        return None
    if "resolve()" in steps[:-1]:
        return None
    return tuple(step.removesuffix("[x]") for step in steps if step != "$this")


def _number(value: Any) -> int | None:
    """A limit; None where there is none (`*`)."""
    text = str(value)
    return int(text) if text.isascii() and text.isdecimal() else None
