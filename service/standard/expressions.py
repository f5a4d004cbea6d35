"""What does a search expression of R4 say, step by step?

Search parameters are defined by FHIRPath, of which they use a small part: paths, unions, `as`
and `ofType`, four forms of `where`, `extension(url)`, and one test for presence. Reading them
into steps once makes it possible to walk resources without a FHIRPath engine (`walks.py`).
FHIR R4: Search, section Search Parameters; SearchParameter.expression.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Field:
    """`.name`, an element or a choice of types."""

    name: str


@dataclass(frozen=True, slots=True)
class OfType:
    """`as T`, `.as(T)`, `.ofType(T)`: only values of this type."""

    type: str


@dataclass(frozen=True, slots=True)
class WhereEquals:
    """`.where(name='value')`: only repetitions with this value."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class WhereExtended:
    """`.where(hasExtension('url'))`: only repetitions that carry this extension."""

    url: str


@dataclass(frozen=True, slots=True)
class WhereRefersTo:
    """`.where(resolve() is T)`: only references to this type of resource."""

    type: str


@dataclass(frozen=True, slots=True)
class PresentUnlessFalse:
    """`x.exists() and x != false`: whether there is a value, and not `false`."""


Step = Field | OfType | WhereEquals | WhereExtended | WhereRefersTo | PresentUnlessFalse


@dataclass(frozen=True, slots=True)
class Path:
    """One alternative of an expression: the type it starts at, and its steps."""

    root: str
    steps: tuple[Step, ...]


_NAME = r"[A-Za-z][A-Za-z0-9]*"
_STEPS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(rf"\.(?:as|ofType)\(({_NAME})\)"), "type"),
    (re.compile(rf" as ({_NAME})"), "type"),
    (re.compile(rf"\.where\(resolve\(\) is ({_NAME})\)"), "refers"),
    (re.compile(rf"\.where\(({_NAME})='([^']*)'\)"), "equals"),
    (re.compile(r"\.where\(hasExtension\('([^']*)'\)\)"), "extended"),
    (re.compile(r"\.extension\('([^']*)'\)"), "extension"),
    (re.compile(rf"\.({_NAME})(?!\()"), "field"),
)
_PRESENT = re.compile(rf"({_NAME}(?:\.{_NAME})+)\.exists\(\) and \1 != false")


@functools.cache
def read(expression: str) -> tuple[Path, ...]:
    """The alternatives of a union. Raises ValueError at a form that R4's parameters don't use."""
    return tuple(_alternative(part) for part in expression.split(" | "))


def _alternative(text: str) -> Path:
    present = _PRESENT.fullmatch(text)
    if present is not None:
        path = _alternative(present[1])
        return Path(path.root, (*path.steps, PresentUnlessFalse()))
    inner, rest = _unwrapped(text.strip())
    root = re.match(_NAME, inner)
    if root is None:
        raise ValueError(f"{text!r} does not start at a type")
    return Path(root[0], (*_steps(inner[root.end() :]), *_steps(rest)))


def _unwrapped(text: str) -> tuple[str, str]:
    """`(a.b as T).c` in its two parts."""
    if not text.startswith("("):
        return text, ""
    close = text.index(")")
    return text[1:close], text[close + 1 :]


def _steps(text: str) -> tuple[Step, ...]:
    found: list[Step] = []
    at = 0
    while at < len(text):
        for pattern, kind in _STEPS:
            match = pattern.match(text, at)
            if match is not None:
                found += _meaning(kind, *match.groups())
                at = match.end()
                break
        else:
            raise ValueError(f"{text[at:]!r} is no step of a search expression of R4")
    return tuple(found)


def _meaning(kind: str, first: str, second: str = "") -> tuple[Step, ...]:
    match kind:
        case "type":
            return (OfType(first),)
        case "refers":
            return (WhereRefersTo(first),)
        case "equals":
            return (WhereEquals(first, second),)
        case "extended":
            return (WhereExtended(first),)
        case "extension":
            return (Field("extension"), WhereEquals("url", first), Field("value"))
    return (Field(first),)
