"""What is known about a search parameter, an element, a primitive, an invariant of R4?

Values of `definitions.py`. Sources: SearchParameter, StructureDefinition, ElementDefinition.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "token", "reference", "date", "string", "quantity", "number", "uri", "composite", "special"
]
ANY = "Resource"
"""As a target: any type."""


@dataclass(frozen=True, slots=True)
class Component:
    """One part of a composite parameter: answered from the rows of parameter `code`."""

    code: str
    kind: Kind
    number: int
    expression: str


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """A search parameter as one type has it.

    `number` is what the index tables hold; it is unique over all types. `targets` are the types
    a reference may lead to, all those of the service where R4 allows any.
    """

    type: str
    code: str
    number: int
    kind: Kind
    expression: str
    url: str
    targets: tuple[str, ...] = ()
    components: tuple[Component, ...] = ()


@dataclass(frozen=True, slots=True)
class Element:
    """An element under its name in JSON (`valueQuantity`), so it has exactly one type.

    `choice` is the name of its choice (`value`), else empty; `min` is that of the whole choice.
    `targets` are the types a Reference or canonical may lead to; (`Resource`,) means any.
    `children` is the path under which its own elements are found, empty for primitives.
    `binding` is a value set whose codes alone are allowed. `profile` is a constraint on the
    datatype (`SimpleQuantity`), with invariants of its own.
    """

    name: str
    types: tuple[str, ...]
    min: int
    max: str
    binding: str | None
    targets: tuple[str, ...]
    children: str
    choice: str
    profile: str
    summary: bool
    modifier: bool

    @property
    def type(self) -> str:
        return self.types[0]

    @property
    def repeats(self) -> bool:
        return self.max not in ("0", "1")


@dataclass(frozen=True, slots=True)
class Primitive:
    """A primitive datatype: the one it specialises, and the pattern of its whole text."""

    name: str
    base: str
    pattern: str


@dataclass(frozen=True, slots=True)
class Invariant:
    """A rule on an element, in FHIRPath; `severity` is `error` or `warning`."""

    key: str
    severity: Literal["error", "warning"]
    human: str
    expression: str
