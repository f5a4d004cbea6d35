"""Which text does a resource hold? For the search parameters `_text` and `_content` of FHIR R4.

`_text` looks at the narrative. `_content` looks at it and at everything of the datatypes string
and markdown, wherever it stands, in extensions and contained resources too: so at displays, notes,
names and addresses, but not at codes, URLs and times, which have parameters of their own. Ids
(`Element.id`, `Identifier.value`) and `Reference.reference` are no text either, though R4 makes
strings of them.

What comes out are marked words: the number of the type, `n` for the narrative or `c` for the other
content, and the word. So the words of each type are found by themselves, in one index. Between two
elements stands a gap, so that no phrase reaches from one into the next.
"""

from __future__ import annotations

import functools
from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

from service.standard.definition_types import Element
from service.standard.definitions import definitions
from service.standard.extraction.narratives import shown_text
from service.standard.extraction.words import words
from service.standard.registry import RESOURCE_TYPES

NARRATIVE, OTHER = "n", "c"
GAP = "0"
"""Stands where nothing is to be found; no marked word looks like it."""

MOST_WORDS = 16_000
MOST_BYTES = 600_000
MOST_OF_ONE = 255
"""What PostgreSQL keeps of one resource (positions up to 16,383, 1 MB, 256 of a word); the rest
is not found on any database."""

_TEXTS = frozenset({"string", "markdown"})
_NO_TEXT = frozenset({("Identifier", "value"), ("Reference", "reference")})
_DEEPEST = 100
_SHORT = 200

_Reader = Callable[[Any, int, dict[str, None]], None]
"""Adds the texts of one value: (value, depth, texts so far)."""


@functools.cache
def mark(type_: str, place: str) -> str:
    """What marks the words of this type (`NARRATIVE` or `OTHER`)."""
    return f"{definitions().parameter_number(type_, '_id')}{place}"


def marked_words(resource: dict[str, Any]) -> list[str]:
    """The marked words of a resource with gaps, in their order; empty where it has none."""
    type_ = resource["resourceType"]
    found: list[str] = []
    narrative = narrative_of(resource)
    if narrative:
        _add(found, mark(type_, NARRATIVE), narrative)
    own = mark(type_, OTHER)
    for text in texts_of(resource):
        _add(found, own, text)
    return _bounded(found)


def narrative_of(resource: Mapping[str, Any]) -> str:
    """The text that the narrative shows."""
    narrative = resource.get("text")
    div = narrative.get("div") if isinstance(narrative, dict) else None
    return shown_text(div) if isinstance(div, str) else ""


def texts_of(resource: Mapping[str, Any]) -> list[str]:
    """Each text of a resource besides its narrative, once."""
    found: dict[str, None] = {}
    _resource(resource, 0, found)
    return list(found)


def _add(found: list[str], prefix: str, text: str) -> None:
    # Displays and units are the same few again and again.
    own = _marked(prefix, text) if len(text) <= _SHORT else [prefix + word for word in words(text)]
    if own:
        if found:
            found.append(GAP)
        found += own


@functools.lru_cache(maxsize=8192)
def _marked(prefix: str, text: str) -> tuple[str, ...]:
    return tuple(prefix + word for word in words(text))


def _bounded(found: list[str]) -> list[str]:
    if len(found) <= MOST_OF_ONE:
        return found
    counts: Counter[str] = Counter()
    kept: list[str] = []
    size = 0
    for word in found[:MOST_WORDS]:
        counts[word] += 1
        size += len(word.encode("utf-8", "surrogatepass")) if counts[word] == 1 else 0
        if size > MOST_BYTES:
            break
        kept.append(word if counts[word] <= MOST_OF_ONE else GAP)
    return kept


@functools.cache
def _readers(path: str) -> Mapping[str, _Reader]:
    """How the elements of this path are read; those that hold no text are missing."""
    found: dict[str, _Reader] = {}
    for name, element in definitions().elements(path).items():
        reader = _reader(path, element)
        if reader is not None:
            found[name] = reader
        if not element.children:
            found[f"_{name}"] = _described
    return found


def _reader(path: str, element: Element) -> _Reader | None:
    if element.name in ("id", "div") or (path, element.name) in _NO_TEXT:
        return None
    if element.type in _TEXTS:
        return _text
    if element.type == "Resource":
        return _resource
    children = element.children
    if not children:
        return None

    def below(value: Any, depth: int, found: dict[str, None]) -> None:
        _within(children, value, depth + 1, found)

    return below


def _within(path: str, part: Any, depth: int, found: dict[str, None]) -> None:
    if not isinstance(part, dict) or depth > _DEEPEST:
        return
    readers = _readers(path)
    for name, value in part.items():
        reader = readers.get(name)
        if reader is None:
            continue
        if isinstance(value, list):
            for one in value:
                reader(one, depth, found)
        else:
            reader(value, depth, found)


def _text(value: Any, depth: int, found: dict[str, None]) -> None:
    if isinstance(value, str):
        found[value] = None


def _described(value: Any, depth: int, found: dict[str, None]) -> None:
    """What extensions say beside a primitive."""
    _within("Element", value, depth + 1, found)


def _resource(value: Any, depth: int, found: dict[str, None]) -> None:
    type_ = value.get("resourceType") if isinstance(value, dict) else None
    if type_ in RESOURCE_TYPES:
        _within(type_, value, depth + 1, found)
