"""Which slice does a repetition belong to?

R4: profiling.html#slicing. All discriminators of a slicing have to agree. What a slice asks for
at a discriminator's path is a fixed value, a pattern, a required binding, a type, or that there
is something (min 1) or nothing (max 0).
"""

from __future__ import annotations

from typing import Any

from service.standard.profiles.bound import UntoldError, is_bound
from service.standard.profiles.model import CORE, MISSING, Discriminator, Node, Slicing
from service.standard.profiles.targets import target_type
from service.standard.profiles.values import Item, contains, equals, items_of
from service.standard.terminology.library import Library


def belongs(item: Item, node: Node, slicing: Slicing, library: Library) -> bool:
    """Whether the repetition is one of this slice."""
    return all(_agrees(item, node, d, library) for d in slicing.discriminators)


def undecided(node: Node, slicing: Slicing) -> Discriminator | None:
    """The discriminator at which a slice asks for nothing, so that it cannot be told apart."""
    for discriminator in slicing.discriminators:
        if not _decides(node, discriminator):
            return discriminator
    return None


def _decides(node: Node, discriminator: Discriminator) -> bool:
    kind, steps = discriminator
    if kind in ("value", "pattern"):
        return _wanted(node, steps) is not MISSING or _binding(node, steps) is not None
    if steps and steps[-1] == "resolve()":
        steps = steps[:-1]
    at = _node_at(node, steps)
    if kind == "type":
        return at is not None and bool(at.types)
    return at is not None and (bool(at.min) or at.max == 0)


def _agrees(item: Item, node: Node, discriminator: Discriminator, library: Library) -> bool:
    kind, steps = discriminator
    if kind == "type":
        return _has_type(item, node, steps)
    found = _items_at(item, steps)
    if kind == "exists":
        at = _node_at(node, steps)
        return bool(found) is bool(at is not None and at.min)
    wanted = _wanted(node, steps)
    if wanted is not MISSING:
        same, value = wanted
        return any(same(each.value, value) for each in found)
    binding = _binding(node, steps)
    try:
        return any(binding is not None and is_bound(i.value, binding, library) for i in found)
    except UntoldError:
        return False


def _has_type(item: Item, node: Node, steps: tuple[str, ...]) -> bool:
    if steps and steps[-1] == "resolve()":
        at = _node_at(node, steps[:-1])
        targets = {t.removeprefix(CORE) for rule in (at.types if at else ()) for t in rule.targets}
        return any(target_type(each.value, {}) in targets for each in _items_at(item, steps[:-1]))
    at = _node_at(node, steps)
    codes = {rule.code for rule in at.types} if at else set()
    return any(each.type in codes for each in _items_at(item, steps))


def _node_at(node: Node, steps: tuple[str, ...]) -> Node | None:
    found: Node | None = node
    for step in steps:
        if found is None:
            return None
        name, _, url = step.partition("=")
        child = found.children.get(name)
        if url and child is not None:
            child = next(
                (s for s in child.slices.values() if any(url in t.profiles for t in s.types)),
                None,
            )
        found = child
    return found


def _wanted(node: Node, steps: tuple[str, ...]) -> Any:
    """(comparison, value) that a slice asks for at a path, perhaps as part of a larger pattern."""
    for value, same in ((node.fixed, equals), (node.pattern, contains)):
        inner = _inside(value, steps)
        if inner is not MISSING:
            return same, inner
    if not steps:
        return MISSING
    if steps[0] == "url" and node.name in ("extension", "modifierExtension"):
        for profile in (p for rule in node.types for p in rule.profiles):
            return equals, profile.partition("|")[0]
    child = node.children.get(steps[0])
    for each in (child, *child.slices.values()) if child is not None else ():
        found = _wanted(each, steps[1:])
        if found is not MISSING:
            return found
    return MISSING


def _inside(value: Any, steps: tuple[str, ...]) -> Any:
    for step in steps:
        if isinstance(value, list):
            value = value[0] if len(value) == 1 else MISSING
        value = value.get(step, MISSING) if isinstance(value, dict) else MISSING
    return value[0] if isinstance(value, list) and len(value) == 1 else value


def _binding(node: Node, steps: tuple[str, ...]) -> str | None:
    at = _node_at(node, steps)
    if at is None or at.binding is None or at.binding.strength != "required":
        return None
    return at.binding.value_set


def _items_at(item: Item, steps: tuple[str, ...]) -> list[Item]:
    found = [item]
    for step in steps:
        name, _, url = step.partition("=")
        found = [
            inner
            for each in found
            for inner in items_of(each.value, each.shapes, name, each.place)
            if not url or (isinstance(inner.value, dict) and inner.value.get("url") == url)
        ]
    return found
