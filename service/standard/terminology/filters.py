"""Which concepts of a code system does a filter let through?

R4: ValueSet.compose.include.filter and filter-operator. A filter on something that the code
system does not declare is an error: who leaves it out answers wrongly.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from service.standard.patterns import PatternError, pattern
from service.standard.terminology.code_systems import CodeSystem, Concept
from service.standard.terminology.refusals import NotUnderstood, shown


class Rule(NamedTuple):
    """A filter as written."""

    property: str
    op: str
    value: str


Passes = Callable[[Concept], bool]

_CONCEPT = frozenset({"concept", "code"})
_TRUTHS = {"true": True, "false": False}
_BUILT_IN = frozenset(
    {"concept", "code", "display", "definition", "parent", "child", "inactive", "notSelectable"}
)


def passes(rule: Rule, system: CodeSystem) -> Passes:
    """The test of a filter. Raises NotUnderstood."""
    maker = _OPERATORS.get(rule.op)
    if maker is None:
        raise NotUnderstood(f"The filter operator {shown(rule.op)!r} is not known here")
    if rule.property not in _BUILT_IN and rule.property not in system.declared:
        raise NotUnderstood(
            f"{system.url} has no property {shown(rule.property)!r} that could be filtered by"
        )
    return maker(rule, system)


def _is_a(rule: Rule, system: CodeSystem) -> Passes:
    wanted = {_root(rule, system), *system.below(_root(rule, system))}
    return lambda concept: concept.code in wanted


def _descendent_of(rule: Rule, system: CodeSystem) -> Passes:
    wanted = system.below(_root(rule, system))
    return lambda concept: concept.code in wanted


def _is_not_a(rule: Rule, system: CodeSystem) -> Passes:
    inside = _is_a(rule, system)
    return lambda concept: not inside(concept)


def _generalizes(rule: Rule, system: CodeSystem) -> Passes:
    wanted = {_root(rule, system), *system.above(_root(rule, system))}
    return lambda concept: concept.code in wanted


def _equals(rule: Rule, system: CodeSystem) -> Passes:
    return lambda concept: any(rule.value in _texts(v) for v in _values(concept, rule.property))


def _in(rule: Rule, system: CodeSystem) -> Passes:
    wanted = {part.strip() for part in rule.value.split(",")}
    return lambda concept: any(
        not wanted.isdisjoint(_texts(v)) for v in _values(concept, rule.property)
    )


def _not_in(rule: Rule, system: CodeSystem) -> Passes:
    inside = _in(rule, system)
    return lambda concept: not inside(concept)


def _regex(rule: Rule, system: CodeSystem) -> Passes:
    """The whole text has to match, as in XML Schema, to whose notation HL7's own sets keep."""
    try:
        wanted = pattern(rule.value)
    except PatternError as reason:
        raise NotUnderstood(f"The regular expression of a filter: {reason}") from None
    return lambda concept: any(
        wanted.is_whole(text) for v in _values(concept, rule.property) for text in _texts(v)
    )


def _exists(rule: Rule, system: CodeSystem) -> Passes:
    wanted = _TRUTHS.get(rule.value)
    if wanted is None:
        raise NotUnderstood(f"A filter 'exists' is true or false, not {shown(rule.value)!r}")
    return lambda concept: bool(_values(concept, rule.property)) is wanted


_OPERATORS: dict[str, Callable[[Rule, CodeSystem], Passes]] = {
    "=": _equals,
    "is-a": _is_a,
    "descendent-of": _descendent_of,
    "is-not-a": _is_not_a,
    "regex": _regex,
    "in": _in,
    "not-in": _not_in,
    "generalizes": _generalizes,
    "exists": _exists,
}
"""Every code of filter-operator in R4."""


def _root(rule: Rule, system: CodeSystem) -> str:
    """The code at which the part of the hierarchy that is meant begins."""
    if rule.property not in _CONCEPT:
        raise NotUnderstood(f"{rule.op} filters by concept, not by {shown(rule.property)!r}")
    if not system.subsumes:
        raise NotUnderstood(
            f"{system.url} does not say what is a kind of what: its hierarchy is {system.meaning}"
        )
    found = system.find(rule.value)
    if found is None:
        raise NotUnderstood(f"{system.url} has no code {shown(rule.value)!r}, which a filter names")
    return found.code


def _values(concept: Concept, name: str) -> list[Any]:
    match name:
        case "concept" | "code":
            return [concept.code]
        case "display":
            return [] if concept.display is None else [concept.display]
        case "definition":
            return [] if concept.definition is None else [concept.definition]
        case "parent":
            return list(concept.parents)
        case "child":
            return list(concept.children)
        case "inactive":
            return [concept.inactive]
        case "notSelectable":
            return [concept.abstract]
    return concept.values(name)


def _texts(value: Any) -> tuple[str, ...]:
    """How a value may be written in a filter."""
    if isinstance(value, bool):
        return ("true" if value else "false",)
    if isinstance(value, dict):
        code = str(value.get("code", ""))
        return (code, f"{value.get('system', '')}|{code}")
    return (str(getattr(value, "literal", value)),)
