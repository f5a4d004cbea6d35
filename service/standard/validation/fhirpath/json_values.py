"""How does FHIRPath see plain JSON values? (FHIRPath N1: Collections, Equality, Comparison)

A collection is a list of JSON values. A primitive that has extensions but no value is
represented by its extension object: so it exists, has children and has no value.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any, TypeGuard

from service.standard.validation.dates import is_date, order_of_dates

KeyPairs = tuple[tuple[str, str], ...]
"""JSON names an element may have, each with the name of its extension object."""


def step(items: list[Any], keys: KeyPairs) -> list[Any]:
    """The children under any of these names, in the order of the items."""
    found: list[Any] = []
    for item in items:
        if type(item) is dict:
            for name, sibling in keys:
                if name in item or sibling in item:
                    found.extend(joined(item.get(name), item.get(sibling)))
    return found


def joined(value: Any, extended: Any) -> list[Any]:
    """A value as a list, each missing primitive replaced by its extension object."""
    values = value if isinstance(value, list) else [value]
    if extended is None:
        return [each for each in values if each is not None]
    others = extended if isinstance(extended, list) else [extended]
    values = values + [None] * (len(others) - len(values))
    others = others + [None] * (len(values) - len(others))
    pairs = zip(values, others, strict=True)
    return [one if one is not None else two for one, two in pairs if (one, two) != (None, None)]


def children(item: Any) -> Iterator[Any]:
    """All child elements."""
    if isinstance(item, dict):
        for name, value in item.items():
            if name.startswith("_"):
                if name[1:] not in item:
                    yield from joined(None, value)
            elif name != "resourceType":
                yield from joined(value, item.get(f"_{name}"))


def descendants(item: Any) -> Iterator[Any]:
    """All elements below, parents before their children."""
    for child in children(item):
        yield child
        yield from descendants(child)


def truth_of(items: list[Any]) -> bool | None:
    """A collection where a truth is asked for: one item that is no boolean counts as true."""
    if len(items) != 1:
        return None
    return items[0] if isinstance(items[0], bool) else True


def same_value(a: Any, b: Any) -> bool:
    """Equality; true is not 1."""
    return isinstance(a, bool) == isinstance(b, bool) and bool(a == b)


def equal(left: list[Any], right: list[Any]) -> bool | None:
    if not left or not right:
        return None
    return len(left) == len(right) and all(map(same_value, left, right))


def contains(items: list[Any], one: Any) -> bool:
    return any(same_value(item, one) for item in items)


def frozen(item: Any) -> Any:
    """Something that can be looked up, and is equal where the items are equal."""
    if isinstance(item, dict):
        return frozenset((name, frozen(value)) for name, value in item.items())
    if isinstance(item, list):
        return tuple(frozen(value) for value in item)
    return isinstance(item, bool), item


def distinct(items: list[Any]) -> list[Any]:
    found: dict[Any, Any] = {}
    for item in items:
        found.setdefault(frozen(item), item)
    return list(found.values())


def is_distinct(items: list[Any]) -> bool:
    return len({frozen(item) for item in items}) == len(items)


def concatenated(left: list[Any], right: list[Any]) -> list[Any]:
    """`&`: an empty side counts as an empty text."""
    texts = [*left[:1], *right[:1]]
    return ["".join(text for text in texts if isinstance(text, str))]


def added(left: list[Any], right: list[Any]) -> list[Any]:
    """`+`: the sum of two numbers or the concatenation of two texts; empty if a side is."""
    if len(left) != 1 or len(right) != 1:
        return []
    a, b = left[0], right[0]
    if is_number(a) and is_number(b):
        return [Decimal(a) + Decimal(b)]
    return [a + b] if isinstance(a, str) and isinstance(b, str) else []


def order(a: Any, b: Any) -> int | None:
    """-1, 0 or 1; None where the two cannot be compared."""
    if is_number(a) and is_number(b):
        return (a > b) - (a < b)
    if isinstance(a, str) and isinstance(b, str):
        return order_of_dates(a, b) if is_date(a) and is_date(b) else (a > b) - (a < b)
    if isinstance(a, dict) and isinstance(b, dict):
        return _order_of_quantities(a, b)
    return None


def is_number(value: Any) -> TypeGuard[int | Decimal]:
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _order_of_quantities(a: dict[str, Any], b: dict[str, Any]) -> int | None:
    """Only where both are in the same unit and exact."""
    same_unit = all(a.get(name) == b.get(name) for name in ("system", "code", "unit"))
    if not same_unit or "comparator" in a or "comparator" in b:
        return None
    x, y = a.get("value"), b.get("value")
    return (x > y) - (x < y) if is_number(x) and is_number(y) else None
