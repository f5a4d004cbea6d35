"""Outside source: R4, Extensibility (the url of an extension) and Data Types, Coding and
Identifier (a system is the URI of something defined elsewhere)."""

from __future__ import annotations

import pytest

from tests.standard.validation.resources import errors, observation, patient


@pytest.mark.parametrize("system", ["http://loinc.org", "urn:oid:1.2.3", "urn:ietf:rfc:3986"])
def test_absolute_systems_are_accepted(system: str) -> None:
    assert errors(observation(code={"coding": [{"system": system, "code": "a"}]})) == []
    assert errors(patient(identifier=[{"system": system, "value": "a"}])) == []


@pytest.mark.parametrize("system", ["loinc", "/loinc", "CodeSystem/loinc"])
def test_relative_systems_are_refused(system: str) -> None:
    checked = observation(code={"coding": [{"system": system, "code": "a"}]})
    assert errors(checked) == [("value", "Observation.code.coding[0].system")]
    checked = patient(identifier=[{"system": system, "value": "a"}])
    assert errors(checked) == [("value", "Patient.identifier[0].system")]


def test_only_parts_of_an_extension_may_go_by_a_relative_name() -> None:
    part = {"url": "part", "valueString": "a"}
    assert errors(patient(extension=[{"url": "http://example.org", "extension": [part]}])) == []
    assert errors(patient(extension=[part])) == [("value", "Patient.extension[0].url")]
    assert errors(patient(name=[{"family": "a", "extension": [part]}])) == [
        ("value", "Patient.name[0].extension[0].url")
    ]
