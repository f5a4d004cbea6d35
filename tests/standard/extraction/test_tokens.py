"""Which tokens does a value give? Source: R4, Search, section token, its table of datatypes."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.search_values import extract
from tests.standard.search_rows import of

SPECIAL = "http://terminology.hl7.org/CodeSystem/special-values"


@pytest.mark.parametrize(
    ("resource", "code", "rows"),
    [
        # Coding
        (
            {"resourceType": "Encounter", "class": {"system": "http://v3", "code": "AMB"}},
            "class",
            [("http://v3", "AMB", 0)],
        ),
        ({"resourceType": "Encounter", "class": {"display": "words only"}}, "class", []),
        (
            {"resourceType": "Encounter", "class": {"system": "http://v3"}},
            "class",
            [("http://v3", "", 0)],
        ),
        # CodeableConcept
        (
            {
                "resourceType": "Goal",
                "category": [{"text": "words only"}, {"coding": [{"code": "speech"}]}],
            },
            "category",
            [("", "speech", 2)],
        ),
        # Identifier
        (
            {"resourceType": "Goal", "identifier": [{"value": "5"}, {"system": "urn:a"}]},
            "identifier",
            [("", "5", 1), ("urn:a", "", 2)],
        ),
        # ContactPoint: the use in the place of a system
        (
            {
                "resourceType": "Patient",
                "telecom": [
                    {"system": "phone", "value": "555", "use": "home"},
                    {"system": "email", "value": "a@b.example"},
                ],
            },
            "telecom",
            [("", "a@b.example", 2), ("home", "555", 1)],
        ),
        (
            {
                "resourceType": "Patient",
                "telecom": [
                    {"system": "phone", "value": "555", "use": "home"},
                    {"system": "email", "value": "a@b.example"},
                ],
            },
            "email",
            [("", "a@b.example", 2)],
        ),
        # code: the system of its required binding
        (
            {"resourceType": "Patient", "gender": "female"},
            "gender",
            [("http://hl7.org/fhir/administrative-gender", "female", 0)],
        ),
        (
            {
                "resourceType": "DocumentReference",
                "content": [{"attachment": {"contentType": "text/plain"}}],
            },
            "contenttype",
            [("urn:ietf:bcp:13", "text/plain", 1)],
        ),
        # code without a binding
        (
            {"resourceType": "CodeSystem", "concept": [{"code": "a", "concept": [{"code": "b"}]}]},
            "code",
            [("", "a", 1)],
        ),
        # boolean
        ({"resourceType": "Patient", "active": False}, "active", [(SPECIAL, "false", 0)]),
        (
            {"resourceType": "Group", "characteristic": [{"valueBoolean": True}]},
            "value",
            [(SPECIAL, "true", 1)],
        ),
        # string
        ({"resourceType": "PlanDefinition", "version": "1.0"}, "version", [("", "1.0", 0)]),
        # a primitive array with a null, which stands for an extension
        (
            {"resourceType": "Questionnaire", "subjectType": [None, "Patient"]},
            "subject-type",
            [("http://hl7.org/fhir/resource-types", "Patient", 2)],
        ),
    ],
)
def test_rows(resource: dict[str, Any], code: str, rows: list[Any]) -> None:
    assert of(extract(resource).tokens, resource["resourceType"], code) == rows


def test_long_codes_and_systems_are_clipped() -> None:
    concept = {"coding": [{"system": "http://" + "s" * 300, "code": "c" * 300}]}
    found = extract({"resourceType": "Goal", "achievementStatus": concept})
    ((system, code, _),) = of(found.tokens, "Goal", "achievement-status")
    assert (len(system), len(code)) == (193, 193)


# R4, Search, section modifiers: `:text` looks at CodeableConcept.text, Coding.display and
# Identifier.type.text.
@pytest.mark.parametrize(
    ("resource", "code", "texts"),
    [
        (
            {"resourceType": "Observation", "code": {"text": "Lip  Strength"}},
            "code",
            [("lip strength", "Lip  Strength", 0)],
        ),
        (
            {
                "resourceType": "Observation",
                "code": {"text": "Síla", "coding": [{"code": "a", "display": "Force"}]},
            },
            "code",
            [("force", "Force", 0), ("sila", "Síla", 0)],
        ),
        (
            {"resourceType": "Encounter", "class": {"code": "AMB", "display": "ambulatory"}},
            "class",
            [("ambulatory", "ambulatory", 0)],
        ),
        (
            {
                "resourceType": "Goal",
                "identifier": [{"value": "1"}, {"value": "5", "type": {"text": "Record"}}],
            },
            "identifier",
            [("record", "Record", 2)],
        ),
        ({"resourceType": "Observation", "code": {"coding": [{"code": "a"}]}}, "code", []),
    ],
)
def test_words_of_codes(resource: dict[str, Any], code: str, texts: list[Any]) -> None:
    assert of(extract(resource).strings, resource["resourceType"], code) == texts


def test_identifiers_with_a_type() -> None:
    kind = {"coding": [{"system": "http://t", "code": "MR"}, {"code": "own"}]}
    patient = {"resourceType": "Patient", "identifier": [{"value": "7", "type": kind}]}
    rows = extract(patient).tokens
    assert of(rows, "Patient", "identifier:of-type") == [("http://t|MR", "7", 1), ("|own", "7", 1)]
    assert of(rows, "Patient", "identifier") == [("", "7", 1)]
