"""Outside source: fhir.resources' R4B models and the official package, compared element by
element: where they differ the tables of R4 decide."""

from __future__ import annotations

from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from service.errors import Issue
from service.standard.definitions import definitions
from service.standard.validation import structure
from service.standard.validation.plans import plans
from tests.standard.validation.resources import errors, extended, observation

ONLY_R4 = {
    ("Extension", "valueMeta"),
    ("ElementDefinition", "defaultValueMeta"),
    ("ElementDefinition", "fixedMeta"),
    ("ElementDefinition", "patternMeta"),
    ("ElementDefinition.example", "valueMeta"),
}
ONLY_R4B = {
    ("ActivityDefinition", "subjectCanonical"),
    ("PlanDefinition", "subjectCanonical"),
    ("PlanDefinition.action", "subjectCanonical"),
    ("Extension", "valueCodeableReference"),
    ("Extension", "valueRatioRange"),
    ("ElementDefinition", "defaultValueCodeableReference"),
    ("ElementDefinition", "defaultValueRatioRange"),
    ("ElementDefinition", "fixedCodeableReference"),
    ("ElementDefinition", "fixedRatioRange"),
    ("ElementDefinition", "patternCodeableReference"),
    ("ElementDefinition", "patternRatioRange"),
    ("ElementDefinition.example", "valueCodeableReference"),
    ("ElementDefinition.example", "valueRatioRange"),
}


def _elements_of_model(path: str) -> dict[str, Any]:
    first, *rest = path.split(".")
    name = first + "".join(part[0].upper() + part[1:] for part in rest)
    fields = get_fhir_model_class(name).model_fields
    named = {field.alias or name: field for name, field in fields.items()}
    return {name: named[name] for name in named if name != "fhir_comments" and name[0] != "_"}


def test_the_models_have_the_elements_of_r4_but_for_these() -> None:
    only_r4, only_r4b = set(), set()
    for path in plans():
        ours, theirs = set(definitions().elements(path)), set(_elements_of_model(path))
        only_r4 |= {(path, name) for name in ours - theirs}
        only_r4b |= {(path, name) for name in theirs - ours}
    assert only_r4 == ONLY_R4
    assert only_r4b == ONLY_R4B


def test_the_models_repeat_and_require_the_same_elements() -> None:
    for path in plans():
        model = _elements_of_model(path)
        for name, element in definitions().elements(path).items():
            field = model.get(name)
            if field is None:
                continue
            assert ("List" in str(field.annotation)) == element.repeats, (path, name)
            if not element.choice:
                extra = field.json_schema_extra or {}
                required = field.is_required() or bool(extra.get("element_required"))
                assert required == bool(element.min), (path, name)


def test_a_finding_of_the_model_alone_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    found = structure.structure_issues(observation(component=[{"valueString": "a"}]), [])
    assert [(issue.code, issue.expression) for issue in found] == [
        ("required", "Observation.component[0].code")
    ]


def test_a_finding_at_a_place_that_is_told_already_is_not_repeated() -> None:
    known = [Issue("error", "structure", "known", "Observation.component")]
    assert structure.structure_issues(observation(component=[{"foo": 1}]), known) == []


def test_elements_that_only_r4_has_are_accepted() -> None:
    assert errors(extended(valueMeta={"versionId": "1"})) == []
    assert errors(extended(valueMeta={"versionId": "?"})) == [
        ("value", "Patient.extension[0].value.versionId")
    ]


def test_elements_that_only_r4b_has_are_refused() -> None:
    for name, value in (
        ("valueRatioRange", {"denominator": {"value": 1}}),
        ("valueCodeableReference", {"concept": {"text": "a"}}),
    ):
        assert ("structure", f"Patient.extension[0].{name}") in errors(extended(**{name: value}))
