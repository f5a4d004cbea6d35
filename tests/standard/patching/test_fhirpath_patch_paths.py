"""Where the path of a FHIRPath Patch leads. Source: R4, FHIRPath Patch."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Malformed
from service.standard.codec import Number
from tests.standard.patching.fhirpath_patches import (
    MARRIED,
    ML,
    apply,
    ids,
    observation,
    op,
    part,
    patient,
    refusal,
)

PATHS: dict[str, tuple[dict[str, Any], str, dict[str, Any]]] = {
    "where equal": (
        patient(identifier=ids("1", "2")),
        "Patient.identifier.where(value = '1')",
        patient(identifier=ids("2")),
    ),
    "where and": (
        patient(telecom=[{"system": "phone", "use": "home"}, {"system": "phone", "use": "work"}]),
        "Patient.telecom.where(system = 'phone' and use = 'work')",
        patient(telecom=[{"system": "phone", "use": "home"}]),
    ),
    "where nested path": (
        observation(component=[{"code": {"coding": [{"code": "a"}]}}, {"code": {"text": "b"}}]),
        "Observation.component.where(code.coding.code = 'a')",
        observation(component=[{"code": {"text": "b"}}]),
    ),
    "where nested where": (
        observation(
            component=[
                {"code": {"coding": [{"system": "s", "code": "a"}]}},
                {"code": {"text": "b"}},
            ]
        ),
        "Observation.component.where(code.coding.where(system='s' and code='a').exists())",
        observation(component=[{"code": {"text": "b"}}]),
    ),
    "where or, not, empty": (
        patient(contact=[{"gender": "male"}, {"name": {"text": "b"}}]),
        "Patient.contact.where((gender = 'female' or gender.empty()) and gender.exists().not())",
        patient(contact=[{"gender": "male"}]),
    ),
    "where boolean": (
        patient(communication=[{"preferred": True}, {"preferred": False}]),
        "Patient.communication.where(preferred = false)",
        patient(communication=[{"preferred": True}]),
    ),
    "where boolean is no number": (
        patient(communication=[{"preferred": True}]),
        "Patient.communication.where(preferred = 1)",
        patient(communication=[{"preferred": True}]),
    ),
    "where not of empty": (
        patient(communication=[{"preferred": True}, {"preferred": False}, {"id": "x"}]),
        "Patient.communication.where((preferred = true).not())",
        patient(communication=[{"preferred": True}, {"id": "x"}]),
    ),
    "where exists with a condition": (
        patient(name=[{"given": ["A"]}, {"given": ["B", "C"]}]),
        "Patient.name.where(given.exists($this = 'C'))",
        patient(name=[{"given": ["A"]}]),
    ),
    "where all": (
        patient(name=[{"text": "a", "use": "usual", "family": "x"}, {"text": "b"}]),
        "Patient.name.where(text = 'b' or text = 'a' and family = 'y')",
        patient(name=[{"text": "a", "use": "usual", "family": "x"}]),
    ),
    "primitives without values": (
        patient(name=[{"_given": [{"id": "a"}, {"id": "b"}]}]),
        "Patient.name.given[0]",
        patient(name=[{"_given": [{"id": "b"}]}]),
    ),
    "primitives with more values than twins": (
        patient(name=[{"given": ["A", "B"], "_given": [{"id": "a"}]}]),
        "Patient.name.given[0]",
        patient(name=[{"given": ["B"]}]),
    ),
    "type of an unknown contained resource": (
        patient(contained=[{"resourceType": "Medication", "id": "m"}]),
        "Patient.contained[0].resourceType",
        patient(contained=[{"resourceType": "Medication", "id": "m"}]),
    ),
    "element of an unknown contained resource": (
        patient(contained=[{"resourceType": "Medication", "id": "m", "status": "active"}]),
        "Patient.contained[0].status",
        patient(contained=[{"resourceType": "Medication", "id": "m"}]),
    ),
    "where number": (
        observation(component=[{"valueQuantity": {"value": Number("5.0")}}, {"valueInteger": 6}]),
        "Observation.component.where(value.value = 5)",
        observation(component=[{"valueInteger": 6}]),
    ),
    "where date": (
        patient(name=[{"period": {"start": "2020-01-02"}, "text": "a"}, {"text": "b"}]),
        "Patient.name.where(period.start = @2020-01-02)",
        patient(name=[{"text": "b"}]),
    ),
    "where alike": (
        patient(name=[{"family": "Ek"}, {"family": "Ax"}]),
        "Patient.name.where(family ~ 'EK')",
        patient(name=[{"family": "Ax"}]),
    ),
    "$this": (
        patient(name=[{"given": ["A", "B"]}]),
        "Patient.name[0].given.where($this = 'B')",
        patient(name=[{"given": ["A"]}]),
    ),
    "first": (
        patient(identifier=ids("1", "2")),
        "Patient.identifier.first()",
        patient(identifier=ids("2")),
    ),
    "last": (
        patient(identifier=ids("1", "2")),
        "Patient.identifier.last()",
        patient(identifier=ids("1")),
    ),
    "skip and take": (
        patient(identifier=ids("1", "2", "3")),
        "Patient.identifier.skip(1).take(1)",
        patient(identifier=ids("1", "3")),
    ),
    "single": (patient(identifier=ids("1")), "Patient.identifier.single()", patient()),
    "extension": (
        patient(extension=[{"url": "http://a", "valueCode": "x"}, {"url": "http://b"}]),
        "Patient.extension('http://a')",
        patient(extension=[{"url": "http://b"}]),
    ),
    "extension by where": (
        patient(extension=[{"url": "http://a", "valueCode": "x"}, {"url": "http://b"}]),
        "Patient.extension.where(url = 'http://a').value",
        patient(extension=[{"url": "http://a"}, {"url": "http://b"}]),
    ),
    "extension of a primitive": (
        patient(birthDate="1950", _birthDate={"extension": [{"url": "http://a"}]}),
        "Patient.birthDate.extension('http://a')",
        patient(birthDate="1950"),
    ),
    "choice": (observation(valueQuantity=ML), "Observation.value", observation()),
    "choice by JSON name": (
        observation(valueQuantity=ML),
        "Observation.valueQuantity",
        observation(),
    ),
    "ofType": (
        observation(valueQuantity=ML),
        "Observation.value.ofType(Quantity).unit",
        observation(valueQuantity={"value": 5}),
    ),
    "ofType of another": (
        observation(valueQuantity=ML),
        "Observation.value.ofType(string)",
        observation(valueQuantity=ML),
    ),
    "as": (
        observation(valueQuantity=ML),
        "(Observation.value as Quantity).unit",
        observation(valueQuantity={"value": 5}),
    ),
    "as function": (
        observation(valueQuantity=ML),
        "Observation.value.as(FHIR.Quantity).unit",
        observation(valueQuantity={"value": 5}),
    ),
    "%resource": (patient(gender="male"), "%resource.gender", patient()),
    "general type": (patient(gender="male"), "DomainResource.gender", patient()),
    "quoted name": (patient(gender="male"), "Patient.`gender`", patient()),
    "spaces": (patient(gender="male"), " Patient . gender ", patient()),
    "escaped text": (
        patient(identifier=ids("it's")),
        r"Patient.identifier.where(value = 'it\'s')",
        patient(),
    ),
    "contained": (
        patient(
            contained=[{"resourceType": "Organization", "id": "o", "name": "x", "active": True}]
        ),
        "Patient.contained.where(id = 'o').name",
        patient(contained=[{"resourceType": "Organization", "id": "o", "active": True}]),
    ),
    "contained by type": (
        patient(contained=[{"resourceType": "Organization", "id": "o", "name": "x"}]),
        "Patient.contained.ofType(Organization).name",
        patient(contained=[{"resourceType": "Organization", "id": "o"}]),
    ),
    "index past the end": (
        patient(identifier=ids("1")),
        "Patient.identifier[7]",
        patient(identifier=ids("1")),
    ),
}


@pytest.mark.parametrize("name", PATHS)
def test_path_leads_to_what_is_deleted(name: str) -> None:
    before, path, after = PATHS[name]
    assert apply(before, op("delete", path)) == after


def test_type_of_a_choice_is_that_of_the_value() -> None:
    quantity = op("add", "Observation", name="value", value={"valueQuantity": ML})
    assert apply(observation(), quantity) == observation(valueQuantity=ML)
    text = op("replace", "Observation.value", value={"valueString": "5 mL"})
    patched = apply(observation(valueQuantity=ML, issued="2020"), text)
    assert patched == observation(valueString="5 mL", issued="2020")
    assert list(patched) == ["resourceType", "id", "valueString", "issued"]


def test_choice_may_be_named_with_its_type() -> None:
    quantity = op("add", "Observation", name="valueQuantity", value={"valueQuantity": ML})
    assert apply(observation(), quantity) == observation(valueQuantity=ML)


def test_choice_below_an_anonymous_value() -> None:
    component = [part("code", valueCodeableConcept=MARRIED), part("value", valueQuantity=ML)]
    patched = apply(observation(), op("add", "Observation", name="component", value=component))
    assert patched == observation(component=[{"code": MARRIED, "valueQuantity": ML}])


NO_PATHS = [
    "",
    "Patient.",
    ".gender",
    "Patient..gender",
    "Patient.gender)",
    "Patient.(gender)",
    "Patient.identifier[",
    "Patient.identifier[x]",
    "Patient.identifier[-1]",
    "Patient.identifier[1.5]",
    "Patient.identifier.where()",
    "Patient.identifier.where(value = '1'",
    "Patient.identifier.where(value = '1)",
    "Patient.identifier.where(value > 1)",
    "Patient.identifier.first(1)",
    "Patient.identifier.take()",
    "Patient.identifier.take('x')",
    "Patient.identifier.take(1.5)",
    "Patient.identifier.take(" + "9" * 900 + ")",
    "Patient.extension(url)",
    "Patient.identifier.ofType('x')",
    "Patient.name | Patient.identifier",
    "Patient.name.given + 'x'",
    "Patient.descendants()",
    "Patient.name.resolve()",
    "Patient.name.exists()",
    "'Patient'",
    "1 = 1",
    "Patient.bogus",
    "Patient.resourceType",
    "Observation.value",
    "Patient.identifier.bogus",
    "Patient.name.trace('x')",
    "%vs.name",
    "$index",
    "Patient.`name",
    "Patient.é",
    "(" * 30 + "Patient" + ")" * 30,
    "Patient" + ".contact" * 200,
]


@pytest.mark.parametrize("path", NO_PATHS)
def test_path_that_cannot_be_read_is_malformed(path: str) -> None:
    error = refusal(patient(identifier=ids("1"), name=[{"text": "x"}]), op("delete", path))
    assert isinstance(error, Malformed)
    assert error.issues[0].expression == "Parameters.parameter[0]"
