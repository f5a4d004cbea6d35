"""Every filter operator. Outside source: CodeSystem filter-operator of hl7.fhir.r4.core 4.0.1."""

from __future__ import annotations

import pytest

from service.standard.terminology.code_systems import read_code_system
from service.standard.terminology.filters import _OPERATORS, Rule, passes
from service.standard.terminology.refusals import NotUnderstood
from tests.official import package
from tests.standard.terminology.made import tree


def kept(op: str, value: str, property: str = "concept") -> list[str]:
    system = read_code_system(tree())
    test = passes(Rule(property, op, value), system)
    return [concept.code for concept in system.concepts.values() if test(concept)]


def test_every_operator_of_r4_is_there() -> None:
    official = {c["code"] for c in package()["CodeSystem-filter-operator"]["concept"]}
    assert set(_OPERATORS) == official


@pytest.mark.parametrize(
    ("op", "value", "property", "codes"),
    [
        ("is-a", "oral", "concept", ["oral", "hold", "push"]),
        ("descendent-of", "oral", "concept", ["hold", "push"]),
        ("is-not-a", "oral", "concept", ["swallow", "pharyngeal", "yawn"]),
        ("generalizes", "hold", "concept", ["swallow", "oral", "hold"]),
        ("=", "hold", "code", ["hold"]),
        ("=", "first", "stage", ["hold"]),
        ("=", "oral", "parent", ["hold", "push"]),
        ("=", "hold", "child", ["oral"]),
        ("=", "true", "notSelectable", ["oral"]),
        ("=", "false", "inactive", ["swallow", "oral", "hold", "push", "pharyngeal"]),
        ("=", "The yawn", "display", ["yawn"]),
        ("in", "hold, push", "concept", ["hold", "push"]),
        ("in", "first,second", "stage", ["hold", "pharyngeal"]),
        ("not-in", "swallow,oral,hold,push", "concept", ["pharyngeal", "yawn"]),
        ("regex", "p.*", "code", ["push", "pharyngeal"]),
        ("regex", "The [a-h].*", "display", ["hold"][:1]),
        ("exists", "true", "stage", ["hold", "pharyngeal"]),
        ("exists", "false", "stage", ["swallow", "oral", "push", "yawn"]),
    ],
)
def test_what_a_filter_lets_through(op: str, value: str, property: str, codes: list[str]) -> None:
    assert kept(op, value, property) == codes


@pytest.mark.parametrize(
    ("op", "value", "property"),
    [
        ("is-a", "nothing", "concept"),
        ("is-a", "oral", "stage"),
        ("=", "x", "unheard-of"),
        ("resembles", "oral", "concept"),
        ("exists", "perhaps", "stage"),
        ("regex", "(", "code"),
    ],
)
def test_what_is_not_understood_is_refused(op: str, value: str, property: str) -> None:
    """Source: ValueSet/$expand: a server that does not fully understand SHALL return an error."""
    with pytest.raises(NotUnderstood):
        kept(op, value, property)


def test_kinds_are_not_read_from_a_part_of_hierarchy() -> None:
    system = read_code_system(tree(hierarchyMeaning="part-of"))
    with pytest.raises(NotUnderstood, match="part-of"):
        passes(Rule("concept", "is-a", "oral"), system)
