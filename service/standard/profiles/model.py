"""What does a profile ask for? A tree of elements with what is asked of each.

R4: http://hl7.org/fhir/R4/profiling.html, StructureDefinition, ElementDefinition. Only what a
profile adds to the rules of R4 is in the tree, since those are checked for every resource.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.errors import Severity
from service.standard.validation.fhirpath.compiler import Truth

CORE = "http://hl7.org/fhir/StructureDefinition/"
"""What the canonical URLs of R4's own types begin with."""

MISSING: Any = object()
"""No fixed value or pattern; null is none either, but is no JSON of FHIR."""


class TypeRule(NamedTuple):
    """A type that is allowed: its code, profiles of it, and of what it refers to."""

    code: str
    profiles: tuple[str, ...]
    targets: tuple[str, ...]


class Binding(NamedTuple):
    """The value set of a coded element."""

    strength: str
    value_set: str


class Constraint(NamedTuple):
    """A rule in FHIRPath, compiled."""

    key: str
    severity: Severity
    human: str
    test: Truth


class Discriminator(NamedTuple):
    """What tells slices apart: `value`, `pattern`, `type` or `exists` at a path."""

    kind: str
    steps: tuple[str, ...]


@dataclass(slots=True)
class Slicing:
    """How the repetitions of an element are told apart."""

    discriminators: tuple[Discriminator, ...]
    rules: str
    ordered: bool


@dataclass(slots=True)
class Node:
    """An element, or a slice of one. `name` is that in FHIRPath; choices have no `[x]`."""

    path: str
    name: str
    slice: str = ""
    min: int | None = None
    max: int | None = None
    types: tuple[TypeRule, ...] = ()
    fixed: Any = MISSING
    pattern: Any = MISSING
    binding: Binding | None = None
    longest: int | None = None
    constraints: tuple[Constraint, ...] = ()
    children: dict[str, Node] = field(default_factory=dict)
    slicing: Slicing | None = None
    slices: dict[str, Node] = field(default_factory=dict)


@dataclass(slots=True)
class Profile:
    """A profile, or the definition of an extension.

    `type` is the type it constrains, `base` the canonical URL it builds on. `contexts` are where
    an extension may stand: (`element`, path) or (`extension`, url). `unchecked` tells, in words,
    what it asks for that is not checked here.
    """

    url: str
    version: str | None
    title: str
    type: str
    base: str
    root: Node
    contexts: tuple[tuple[str, str], ...]
    unchecked: tuple[str, ...]
