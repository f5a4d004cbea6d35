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
from service.standard.validation import bindings, narrative, references
from service.standard.validation.findings import Context, Place
from service.standard.validation.invariants import Rule, rules_at
from service.standard.validation.primitives import DATATYPES, Datatype

Check = Callable[[Any, Place, Context], None]
Kind = Literal["primitive", "complex", "resource", "sibling"]
_BASES = ("Resource", "DomainResource", "Element", "BackboneElement")


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
def plan_of(path: str) -> Plan:
    """The plan of a type, datatype or backbone element (`Observation.component`)."""
    return _Planner.planned(path)


def resource_plan(name: str) -> Plan | None:
    """The plan of a type of resource; None where the tables do not hold it."""
    plan = plan_of(name) if "." not in name and definitions().elements(name) else None
    return plan if plan is not None and plan.is_resource and name not in _BASES else None


class _Planner:
    """Plans refer to each other in circles, so each is kept before it is filled."""

    _plans: dict[str, Plan] = {}  # noqa: RUF012

    @classmethod
    def planned(cls, path: str) -> Plan:
        plan = cls._plans.get(path)
        if plan is None:
            elements = definitions().elements(path)
            plan = cls._plans[path] = Plan(path, "implicitRules" in elements)
            plan.rules = rules_at(path)
            for element in elements.values():
                plan.slots[element.name] = cls._slot(path, element)
                if not element.children:
                    plan.slots[f"_{element.name}"] = cls._sibling(element)
            plan.required = _required(elements.values())
        return plan
