"""Random elements of any path of the tables, for comparing what two readers make of them.

Not valid resources: the elements are right, their values come from a small pool, so that rules
are broken as often as kept.
"""

from __future__ import annotations

from decimal import Decimal
from random import Random
from typing import Any

from service.standard.definitions import Element, definitions

_SELDOM = frozenset(("id", "extension", "modifierExtension", "contained", "meta", "language"))
_DAYS = ["2026-01-01", "2026-01-02", "2026-01-03"]


def made(path: str, random: Random, words: list[str], depth: int = 2) -> dict[str, Any]:
    """An object with some of the elements at `path`; strings are taken from `words`."""
    found: dict[str, Any] = {}
    elements = definitions().elements(path)
    choices: dict[str, list[Element]] = {}
    for element in elements.values():
        choices.setdefault(element.choice or element.name, []).append(element)
    for name, types in choices.items():
        if random.random() < (0.95 if name in _SELDOM else 0.5):
            continue
        element = random.choice(types)
        count = random.randint(1, 3) if element.repeats else 1
        values = [_value(element, random, words, depth) for _ in range(count)]
        found[element.name] = values if element.repeats else values[0]
    return found


def value_at(path: str, random: Random, words: list[str]) -> Any:
    """A value for the element at `path`, which may be a primitive or a datatype."""
    if definitions().elements(path):
        return made(path, random, words)
    owner, _, name = path.rpartition(".")
    element = definitions().elements(owner).get(name)
    if element is not None:
        return _value(element, random, words, 2)
    return made("Quantity", random, words)


def _value(element: Element, random: Random, words: list[str], depth: int) -> Any:
    if element.children == "Resource":
        kind = random.choice(["Patient", "Composition", "MessageHeader"])
        return {"resourceType": kind, "meta": {"versionId": random.choice("12")}}
    if element.children:
        return made(element.children, random, words, depth - 1) if depth > 0 else {"id": "a"}
    match element.type:
        case "boolean":
            return random.random() < 0.5
        case "integer" | "positiveInt" | "unsignedInt":
            return random.randint(-1, 3)
        case "decimal":
            return random.choice([Decimal("1.5"), Decimal("-2"), Decimal("1.0"), 3])
        case "date" | "dateTime" | "instant":
            return random.choice(_DAYS)
        case "time":
            return "10:00:00"
    return random.choice(words)
