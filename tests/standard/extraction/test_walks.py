"""Are values found where the expressions say? The whole is compared in
`tests/conformance/search_parameters`; here are the odd places."""

from __future__ import annotations

from typing import Any

from service.standard.definitions import definitions
from service.standard.extraction.walks import LAST_GROUP, walk_of
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_values import extract
from tests.standard.search_rows import of


def test_every_type_has_a_walk_and_writes_only_its_own_parameters() -> None:
    for type_ in RESOURCE_TYPES:
        walk = walk_of(type_)
        assert "meta" in walk.elements
        numbers = {p.number for p in definitions().search_parameters(type_).values()}
        assert walk.compartment <= numbers


def test_answers_of_items_that_are_marked_as_subject() -> None:
    # questionnaireresponse-extensions-QuestionnaireResponse-item-subject
    url = "http://hl7.org/fhir/StructureDefinition/questionnaireresponse-isSubject"
    answer = [{"valueReference": {"reference": "Patient/a"}}]
    response = {
        "resourceType": "QuestionnaireResponse",
        "item": [
            {"linkId": "1", "answer": answer},
            {"linkId": "2", "extension": [{"url": url, "valueBoolean": True}], "answer": answer},
        ],
    }
    found = extract(response)
    assert of(found.references, "QuestionnaireResponse", "item-subject") == [("Patient", "a", 2)]


def test_artifacts_are_told_apart_by_their_kind() -> None:
    artifact = {"type": "predecessor", "resource": "http://p.example/old"}
    plan = {"resourceType": "PlanDefinition", "relatedArtifact": [artifact], "library": ["urn:l"]}
    found = extract(plan)
    assert of(found.references, "PlanDefinition", "predecessor") == [
        ("", "http://p.example/old", 1)
    ]
    assert of(found.references, "PlanDefinition", "successor") == []
    assert of(found.references, "PlanDefinition", "depends-on") == [("", "urn:l", 1)]


def test_groups_fit_a_small_integer() -> None:
    concepts = [{"code": str(at)} for at in range(LAST_GROUP + 10)]
    found = extract({"resourceType": "CodeSystem", "concept": concepts})
    groups = [row[-1] for row in of(found.tokens, "CodeSystem", "code")]
    assert len(groups) == LAST_GROUP + 10
    assert max(groups) == LAST_GROUP


def test_unknown_elements_and_primitive_extensions_are_passed_over() -> None:
    odd: dict[str, Any] = {
        "resourceType": "Patient",
        "_birthDate": {"extension": [{"url": "u", "valueString": "x"}]},
        "neverHeardOf": 1,
    }
    assert extract(odd).dates == []
