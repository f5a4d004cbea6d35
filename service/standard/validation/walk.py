"""Does every element stand where its type has it, as often as allowed, with a proper value?

One walk over the resource along the plans of `plans.py` finds unknown elements, cardinality,
wrong JSON kinds, primitive values, required codes, empty elements, and asks the checks and rules
of each place. R4 pages: Resource Formats (JSON), Base Definitions, Data Types.
"""

from __future__ import annotations

from typing import Any

from service.standard.validation import bindings, foreign
from service.standard.validation.bundles import entries_of
from service.standard.validation.contained import check_contained, contained_of
from service.standard.validation.fhirpath.compiler import Scope
from service.standard.validation.findings import Context, Place, kind_of, shown
from service.standard.validation.invariants import Rule
from service.standard.validation.plans import Plan, Slot, resource_plan
from service.standard.validation.references import known_types
from service.standard.validation.wholes import WHOLE_CHECKS


def walk_resource(value: Any, place: Place, context: Context, *, contained: bool = False) -> None:
    """A resource on its own, in a Bundle or Parameters, or contained in another."""
    if type(value) is not dict:
        context.add("structure", f"A resource is expected, not {kind_of(value)}", place)
        return
    name = value.get("resourceType")
    plan = resource_plan(name) if type(name) is str else None
    if type(name) is not str or (plan is None and name not in known_types()):
        told = "must have a resourceType" if name is None else f"cannot be {shown(name)}"
        context.add("structure", f"A resource {told}", place)
        return
    outer = context.surroundings()
    context.resource = value
    if not contained:
        context.root, context.contained = value, contained_of(value)
    if name == "Bundle":
        context.bundle, context.entries = value, entries_of(value)
    if plan is None:
        context.foreign = True
        foreign.walk_foreign(value, place, context)
    else:
        _walk(value, plan, place, context)
    if "contained" in value:
        check_contained(value, place, context)
    whole = WHOLE_CHECKS.get(name)
    if whole is not None:
        whole(value, place, context)
    context.restore(outer)


def _walk(value: dict[str, Any], plan: Plan, place: Place, context: Context) -> None:
    slots = plan.slots
    chosen: dict[str, str] | None = None
    for name, item in value.items():
        slot = slots.get(name)
        if slot is None:
            if name != "resourceType" or not plan.is_resource:
                _tell_unknown(name, plan, place, context)
            continue
        if slot.choice:
            chosen = chosen or {}
            if chosen.setdefault(slot.choice, name.lstrip("_")) != name.lstrip("_"):
                text = f"Only one of the types of {slot.choice}[x] is allowed"
                context.add("structure", text, Place(place, slot.choice))
        if slot.kind == "sibling":
            _walk_sibling(item, name, value, slot, place, context)
        elif not slot.many:
            _walk_one(item, slot, place, None, context)
        elif type(item) is not list or not item:
            told = "must not be empty" if item == [] else f"must be an array, not {kind_of(item)}"
            context.add("structure", f"{slot.label} {told}", Place(place, slot.label))
        else:
            if slot.most is not None and len(item) > slot.most:
                text = f"{slot.label} may be there {slot.most} times, not {len(item)}"
                context.add("structure", text, Place(place, slot.label))
            for index, each in enumerate(item):
                if each is None and slot.datatype is not None and f"_{name}" in value:
                    continue
                _walk_one(each, slot, place, index, context)
    for required in plan.required:
        if required.names.isdisjoint(value):
            text = f"{plan.name} must have {required.label}"
            context.add("required", text, Place(place, required.label))
    if not plan.is_resource and len(value) < 2 and (not value or "id" in value):
        context.add("structure", "An element must have a value or children (ele-1)", place)
    if plan.rules:
        _judge(value, plan.rules, place, context)


def _walk_one(item: Any, slot: Slot, parent: Place, index: int | None, context: Context) -> None:
    if slot.datatype is not None:
        if not slot.datatype.holds(item):
            _tell_primitive(item, slot, Place(parent, slot.label, index), context)
            return
        if slot.codes is not None and item not in slot.codes:
            bindings.tell_code(item, slot.codes, Place(parent, slot.label, index), context)
        if not slot.checks and not slot.rules:
            return
        place = Place(parent, slot.label, index)
    else:
        place = Place(parent, slot.label, index)
        if slot.plan is None:
            walk_resource(item, place, context, contained=slot.label == "contained")
            return
        if type(item) is not dict:
            text = f"{slot.label} must be {slot.expected}, not {kind_of(item)}"
            context.add("structure", text, place)
            return
        _walk(item, slot.plan, place, context)
    for check in slot.checks:
        check(item, place, context)
    if slot.rules:
        _judge(item, slot.rules, place, context)


def _tell_unknown(name: str, plan: Plan, place: Place, context: Context) -> None:
    is_name = len(name) <= 64 and name.isidentifier()
    at = Place(place, name.removeprefix("_")) if is_name else place
    context.add("structure", f"{plan.name} has no element {shown(name)}", at)


def _tell_primitive(item: Any, slot: Slot, place: Place, context: Context) -> None:
    if item is None or isinstance(item, dict | list):
        code, told = "structure", kind_of(item)
    elif item == "":
        code, told = "structure", "an empty string"
    else:
        code, told = "value", shown(item)
    context.add(code, f"{slot.label} must be {slot.expected}, not {told}", place)


def _walk_sibling(
    item: Any, name: str, value: dict[str, Any], slot: Slot, parent: Place, context: Context
) -> None:
    """`_name`: id and extensions of the primitive `name`, null-padded where that repeats."""
    beside = value.get(name[1:])
    if not slot.many:
        _walk_extended(item, beside, slot, Place(parent, slot.label), context)
        return
    if type(item) is not list or not item:
        text = f"{shown(name)} must be an array that is not empty"
        context.add("structure", text, Place(parent, slot.label))
        return
    values = beside if isinstance(beside, list) else []
    for index in range(max(len(item), len(values))):
        one = item[index] if index < len(item) else None
        other = values[index] if index < len(values) else None
        if one is not None or other is None:
            _walk_extended(one, other, slot, Place(parent, slot.label, index), context)


def _walk_extended(item: Any, beside: Any, slot: Slot, place: Place, context: Context) -> None:
    if type(item) is not dict:
        text = f"{slot.label} must be {slot.expected} or have a value, not {kind_of(item)}"
        context.add("structure", text, place)
        return
    assert slot.plan is not None
    if not item or (beside is None and "extension" not in item):
        context.add("structure", "An element must have a value or extensions (ele-1)", place)
        return
    for name, each in item.items():
        inner = slot.plan.slots.get(name)
        if inner is None:
            context.add("structure", f"A primitive has no element {shown(name)}", place)
        elif inner.many and (type(each) is not list or not each):
            context.add("structure", f"{name} must be an array that is not empty", place)
        elif inner.many:
            for index, one in enumerate(each):
                _walk_one(one, inner, place, index, context)
        elif inner.kind != "sibling":
            _walk_one(each, inner, place, None, context)


def _judge(value: Any, rules: tuple[Rule, ...], place: Place, context: Context) -> None:
    scope = Scope(context.resource, context.root, {})
    for rule in rules:
        if not rule.test(value, scope):
            context.add("invariant", f"{rule.human} ({rule.key})", place, rule.severity)
