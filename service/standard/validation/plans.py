"""What must be looked at in an object of this type?

One plan a type or backbone element, made once from the elements tables: for every JSON name a
slot that says what to expect there. The walk (`walk.py`) only follows plans.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

from service.standard.definitions import Element, definitions
from service.standard.registry import EXCHANGE_TYPES, RESOURCE_TYPES
from service.standard.validation import bindings, narrative, references, uris
from service.standard.validation.findings import Context, Place
from service.standard.validation.invariants import Rule, rules_at
from service.standard.validation.primitives import DATATYPES, Datatype

Check = Callable[[Any, Place, Context], None]
Kind = Literal["primitive", "complex", "resource", "sibling"]
_ANY = "Resource"


@dataclass(slots=True)
class Slot:
    """A JSON name. `label` is the element's name in FHIRPath; `choice` is it for choices only."""

    label: str
    kind: Kind
    many: bool
    most: int | None
    choice: str
    expected: str
    datatype: Datatype | None = None
    plan: Plan | None = None
    codes: frozenset[str] | None = None
    checks: tuple[Check, ...] = ()
    rules: tuple[Rule, ...] = ()


@dataclass(slots=True)
class Required:
    """An element that must be there, under any of these JSON names."""

    label: str
    names: frozenset[str]


@dataclass(slots=True)
class Plan:
    """What an object of this type may and must have."""

    name: str
    is_resource: bool
    slots: dict[str, Slot] = field(default_factory=dict)
    required: tuple[Required, ...] = ()
    rules: tuple[Rule, ...] = ()


@functools.cache
def plans() -> dict[str, Plan]:
    """Every plan by type, datatype or path of a backbone element (`Observation.component`)."""
    found: dict[str, Plan] = {}
    waiting = [*RESOURCE_TYPES, *EXCHANGE_TYPES, "Element"]
    while waiting:
        path = waiting.pop()
        if path not in found:
            elements = definitions().elements(path)
            found[path] = Plan(path, "implicitRules" in elements)
            waiting += [e.children for e in elements.values() if e.children not in ("", _ANY)]
    for plan in found.values():
        _fill(plan, found)
    return found


def resource_plan(name: str) -> Plan | None:
    """The plan of a type of resource; None where the tables do not hold it."""
    plan = plans().get(name)
    return plan if plan is not None and plan.is_resource else None


def _fill(plan: Plan, found: dict[str, Plan]) -> None:
    elements = definitions().elements(plan.name).values()
    for element in elements:
        plan.slots[element.name] = _slot(plan.name, element, found)
        if not element.children:
            plan.slots[f"_{element.name}"] = _sibling(element, found)
    required: dict[str, set[str]] = {}
    for element in elements:
        if element.min:
            names = required.setdefault(element.choice or element.name, set())
            names |= {element.name} if element.children else {element.name, f"_{element.name}"}
    plan.required = tuple(Required(label, frozenset(names)) for label, names in required.items())
    plan.rules = rules_at(plan.name)


def _slot(owner: str, element: Element, found: dict[str, Plan]) -> Slot:
    slot = _bare(element, "complex" if element.children else "primitive")
    label = f"{element.choice}[x]" if element.choice else element.name
    if element.children != f"{owner}.{label}":
        slot.rules = rules_at(f"{owner}.{label}")
    if element.profile:
        known = {rule.key for rule in rules_at(element.type)}
        slot.rules += tuple(rule for rule in rules_at(element.profile) if rule.key not in known)
    if element.children == _ANY:
        slot.kind, slot.expected = "resource", "a resource"
    elif element.children:
        slot.plan, slot.expected = found[element.children], f"an object ({element.type})"
    else:
        slot.datatype = DATATYPES[element.type]
        slot.expected = slot.datatype.expected
    slot.codes = bindings.codes_of(element)
    slot.checks = _checks_of(owner, element)
    return slot


def _sibling(element: Element, found: dict[str, Plan]) -> Slot:
    slot = _bare(element, "sibling")
    slot.plan, slot.expected = found["Element"], "an object with id or extension"
    return slot


def _bare(element: Element, kind: Kind) -> Slot:
    most = int(element.max) if element.repeats and element.max != "*" else None
    label = element.choice or element.name
    return Slot(label, kind, element.repeats, most, element.choice, "")


def _checks_of(owner: str, element: Element) -> tuple[Check, ...]:
    makers = CHECKS.get(element.type)
    absolute = uris.ABSOLUTE.get(f"{owner}.{element.name}")
    return (
        *bindings.checks_of(element),
        *(makers(element) if makers else ()),
        *((absolute,) if absolute else ()),
    )


CHECKS: dict[str, Callable[[Element], tuple[Check, ...]]] = {
    "Reference": references.reference_checks,
    "canonical": references.canonical_checks,
    "xhtml": narrative.narrative_checks,
}
"""What a datatype asks for that its elements and rules do not say."""
