"""Are the expressions of R4's search parameters read right? Source: SearchParameter.expression."""

from __future__ import annotations

import pytest

from service.standard.definitions import definitions
from service.standard.expressions import (
    Field,
    OfType,
    Path,
    PresentUnlessFalse,
    Step,
    WhereEquals,
    WhereExtended,
    WhereRefersTo,
    read,
)
from service.standard.registry import RESOURCE_TYPES


@pytest.mark.parametrize(
    ("expression", "steps"),
    [
        ("Patient.name.family", [Field("name"), Field("family")]),
        ("(Observation.value as Quantity)", [Field("value"), OfType("Quantity")]),
        (
            "(Observation.value as CodeableConcept).text",
            [Field("value"), OfType("CodeableConcept"), Field("text")],
        ),
        ("Condition.onset.as(Age)", [Field("onset"), OfType("Age")]),
        ("X.value.ofType(Reference)", [Field("value"), OfType("Reference")]),
        (
            "Patient.telecom.where(system='phone')",
            [Field("telecom"), WhereEquals("system", "phone")],
        ),
        (
            "ActivityDefinition.relatedArtifact.where(type='depends-on').resource",
            [Field("relatedArtifact"), WhereEquals("type", "depends-on"), Field("resource")],
        ),
        ("Task.for.where(resolve() is Patient)", [Field("for"), WhereRefersTo("Patient")]),
        (
            "X.item.where(hasExtension('u')).answer",
            [Field("item"), WhereExtended("u"), Field("answer")],
        ),
        ("Device.extension('u')", [Field("extension"), WhereEquals("url", "u"), Field("value")]),
        (
            "Patient.deceased.exists() and Patient.deceased != false",
            [Field("deceased"), PresentUnlessFalse()],
        ),
    ],
)
def test_forms(expression: str, steps: list[Step]) -> None:
    root = expression.strip("(").partition(".")[0]
    assert read(expression) == (Path(root, tuple(steps)),)


def test_a_union_has_its_alternatives_in_order() -> None:
    first, second = read("Location.name | Location.alias")
    assert (first.steps, second.steps) == ((Field("name"),), (Field("alias"),))


@pytest.mark.parametrize(
    "expression",
    [
        "Patient.name.first()",
        "Patient.name.where(use = 'official')",
        "Patient.name[0]",
        "'text'",
        "Patient.birthDate > today()",
        "Patient.deceased.exists() and Patient.active != false",
    ],
)
def test_other_fhirpath_is_refused_not_misread(expression: str) -> None:
    with pytest.raises(ValueError, match=r"no step|start at a type"):
        read(expression)


def test_every_parameter_of_ours_can_be_read_and_starts_at_its_type() -> None:
    for type_ in RESOURCE_TYPES:
        for parameter in definitions().search_parameters(type_).values():
            for path in read(parameter.expression):
                assert path.root in (type_, "Resource", "DomainResource"), parameter.code
