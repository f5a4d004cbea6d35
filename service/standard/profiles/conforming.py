"""Does a resource keep to a profile? Every breach, with its place.

R4: profiling.html, ElementDefinition. Cardinality, types and targets, fixed values and patterns,
bindings, slices and rules in FHIRPath. The resource is known to be valid R4.
"""

from __future__ import annotations

from typing import Any

from service.errors import Issue, Severity, TooCostly
from service.standard.profiles.bound import UntoldError, has_code, is_bound
from service.standard.profiles.model import MISSING, Node, Profile
from service.standard.profiles.shapes import Shapes
from service.standard.profiles.slices import belongs, undecided
from service.standard.profiles.targets import leads_elsewhere
from service.standard.profiles.values import Item, contains, equals, items_of
from service.standard.terminology.library import Library
from service.standard.validation.fhirpath.budget import Budget, BudgetError
from service.standard.validation.fhirpath.compiler import Scope
from service.standard.validation.findings import Place

MOST_ISSUES = 200
_BINDABLE = frozenset(
    {"code", "Coding", "CodeableConcept", "Quantity", "Duration", "Age", "string", "uri"}
)
"""Datatypes that a binding says something of (R4, terminologies.html#code)."""


class Judge:
    """One look at one resource; `issues` are found in the order of the profile. Raises TooCostly
    where the rules in FHIRPath go beyond the budget."""

    def __init__(
        self, resource: dict[str, Any], profile: Profile, library: Library, budget: Budget
    ) -> None:
        self.resource = resource
        self.profile = profile
        self.library = library
        self.budget = budget
        self.issues: list[Issue] = []

    def look(self, value: Any, place: Place) -> list[Issue]:
        """Look at a value of the profile's type: the resource, or an extension in it."""
        root = self.profile.root
        self._constraints(root, value, place)
        self._children(root, value, frozenset({self.profile.type}), place)
        return self.issues

    def _tell(self, code: str, text: str, place: Place, severity: Severity = "error") -> None:
        if len(self.issues) < MOST_ISSUES:
            told = f"{text} (profile {self.profile.url})"
            self.issues.append(Issue(severity, code, told, str(place)))

    def _children(self, node: Node, value: Any, shapes: Shapes, place: Place) -> None:
        for child in node.children.values():
            items = items_of(value, shapes, child.name, place)
            at = Place(place, child.name)
            self._count(child, len(items), f"{child.name}", at)
            for item in items:
                self._item(child, item)
            if child.slices:
                self._slices(child, items, at)

    def _count(self, node: Node, count: int, name: str, place: Place) -> None:
        if node.min is not None and count < node.min:
            told = f"{name} is needed" if node.min == 1 else f"{name} is needed {node.min} times"
            self._tell("required", f"{told}, but is there {count} times" if count else told, place)
        if node.max is not None and count > node.max:
            most = "must not be there" if node.max == 0 else f"may be there {node.max} times"
            more = f", not {count}" if node.max else ""
            self._tell("structure", f"{name} {most}{more}", place)

    def _item(self, node: Node, item: Item) -> None:
        self._type(node, item)
        if item.value is not None:
            self._value(node, item)
        inner = item.value if isinstance(item.value, dict) else item.beside
        self._children(node, inner, item.shapes, item.place)

    def _value(self, node: Node, item: Item) -> None:
        if node.fixed is not MISSING and not equals(item.value, node.fixed):
            self._tell("value", f"{node.name} must be {_shown(node.fixed)}, just that", item.place)
        if node.pattern is not MISSING and not contains(item.value, node.pattern):
            self._tell("value", f"{node.name} must have {_shown(node.pattern)}", item.place)
        longest = node.longest
        if longest is not None and isinstance(item.value, str) and len(item.value) > longest:
            self._tell("too-long", f"{node.name} has over {longest} characters", item.place)
        if node.binding is not None:
            self._bound(node, item)
        self._constraints(node, item.value, item.place)

    def _type(self, node: Node, item: Item) -> None:
        if not node.types:
            return
        rules = [rule for rule in node.types if rule.code == item.type]
        if not rules:
            wanted = ", ".join(dict.fromkeys(rule.code for rule in node.types))
            self._tell("structure", f"{node.name} must be {wanted}, not {item.type}", item.place)
            return
        targets = [target for rule in rules for target in rule.targets]
        if targets and item.value is not None:
            elsewhere = leads_elsewhere(item.value, targets, self.resource)
            if elsewhere is not None:
                text = f"{node.name} leads to {elsewhere}, which the profile does not allow"
                self._tell("value", text, item.place)

    def _bound(self, node: Node, item: Item) -> None:
        assert node.binding is not None
        strength, value_set = node.binding
        if strength not in ("required", "extensible") or item.type not in _BINDABLE:
            return
        if strength == "extensible" and not has_code(item.value):
            return
        try:
            if is_bound(item.value, value_set, self.library):
                return
        except UntoldError as reason:
            self._tell("not-supported", f"Not checked: {reason}", item.place, "warning")
            return
        severity: Severity = "error" if strength == "required" else "warning"
        must = "must" if strength == "required" else "should"
        text = f"{node.name} {must} have a code of {value_set}"
        self._tell("code-invalid", text, item.place, severity)

    def _constraints(self, node: Node, value: Any, place: Place) -> None:
        scope = Scope(self.resource, self.resource, {}, self.budget)
        for rule in node.constraints:
            try:
                holds = rule.test(value, scope)
            except BudgetError as error:
                text = f"{error} (rule {rule.key} of {self.profile.url})"
                raise TooCostly(text, expression=str(place)) from None
            except RecursionError:
                text = f"Not checked: the rule {rule.key} is nested too deep"
                self._tell("not-supported", text, place, "warning")
                continue
            if holds is False:
                self._tell("invariant", f"{rule.human} ({rule.key})", place, rule.severity)

    def _slices(self, node: Node, items: list[Item], place: Place) -> None:
        slicing = node.slicing
        if slicing is None:
            return
        known = {name: s for name, s in node.slices.items() if not undecided(s, slicing)}
        order = list(node.slices)
        counts = dict.fromkeys(known, 0)
        last, open_seen = 0, False
        for item in items:
            name = next(
                (n for n, s in known.items() if belongs(item, s, slicing, self.library)), None
            )
            if name is None:
                open_seen = True
                if slicing.rules == "closed" and len(known) == len(node.slices):
                    text = f"{node.name} must be one of {', '.join(node.slices)}"
                    self._tell("structure", text, item.place)
                continue
            if slicing.rules == "openAtEnd" and open_seen:
                text = f"{node.name} of the slice {name} must come before the others"
                self._tell("structure", text, item.place)
            if slicing.ordered and order.index(name) < last:
                text = f"{node.name} of the slice {name} stands too late"
                self._tell("structure", text, item.place)
            last = max(last, order.index(name))
            counts[name] += 1
            self._item(known[name], item)
        for name, count in counts.items():
            self._count(known[name], count, f"{node.name} of the slice {name}", place)


def _shown(value: Any) -> str:
    """A fixed value or pattern in short: its code where it has one."""
    if isinstance(value, dict):
        codings = value.get("coding")
        if isinstance(codings, list) and len(codings) == 1:
            value = codings[0]
        if "code" in value:
            return f"{value.get('system', '')}|{value['code']}".strip("|")
    return str(value)[:120]
