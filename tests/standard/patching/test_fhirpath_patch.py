"""FHIRPath Patch. Source: R4, FHIRPath Patch (rules and the shape of its examples)."""

from __future__ import annotations

import contextlib
import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import HyoidError, Invalid, Malformed, TooCostly
from service.standard.codec import MAX_DEPTH, Number, decode, encode
from service.standard.patching.fhirpath_patch import MAX_OPERATIONS, apply_fhirpath_patch

TYPES = {
    "type": "valueCode",
    "path": "valueString",
    "name": "valueString",
    "index": "valueInteger",
    "source": "valueInteger",
    "destination": "valueInteger",
}


def part(name: str, **content: Any) -> dict[str, Any]:
    return {"name": name, **content}


def op(type_: str, path: str, **more: Any) -> dict[str, Any]:
    """An operation; `value` is a dict like {"valueCode": "x"} or a list of parts."""
    parts = [part("type", valueCode=type_), part("path", valueString=path)]
    for name, value in more.items():
        if name != "value":
            parts.append({"name": name, TYPES[name]: value})
        elif isinstance(value, list):
            parts.append({"name": "value", "part": value})
        else:
            parts.append({"name": "value", **value})
    return {"name": "operation", "part": parts}


def patch(*operations: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Parameters", "parameter": list(operations)}


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", **more}


def apply(resource: dict[str, Any], *operations: dict[str, Any]) -> dict[str, Any]:
    parameters = patch(*operations)
    before = copy.deepcopy((resource, parameters))
    patched = apply_fhirpath_patch(resource, parameters)
    assert (resource, parameters) == before
    return patched


def refusal(resource: dict[str, Any], *operations: Any) -> HyoidError:
    with pytest.raises(HyoidError) as caught:
        apply_fhirpath_patch(resource, patch(*operations))
    return caught.value


def ids(*values: str) -> list[dict[str, Any]]:
    return [{"system": "http://example.org", "value": value} for value in values]


MARRIED = {"coding": [{"code": "M"}]}
SINGLE = {"coding": [{"code": "S"}]}

# (before, operations, after) in the order of the specification's kinds of change
CASES: dict[str, tuple[dict[str, Any], list[dict[str, Any]], dict[str, Any]]] = {
    "no difference": (patient(birthDate="1920-01-01"), [], patient(birthDate="1920-01-01")),
    "replace primitive": (
        patient(birthDate="1920-01-01"),
        [op("replace", "Patient.birthDate", value={"valueDate": "1930-01-01"})],
        patient(birthDate="1930-01-01"),
    ),
    "delete primitive": (
        patient(birthDate="1920-01-01"),
        [op("delete", "Patient.birthDate")],
        patient(),
    ),
    "delete primitive beside others": (
        patient(active=True, birthDate="1920-01-01"),
        [op("delete", "Patient.birthDate")],
        patient(active=True),
    ),
    "add primitive": (
        patient(),
        [op("add", "Patient", name="birthDate", value={"valueDate": "1930-01-01"})],
        patient(birthDate="1930-01-01"),
    ),
    "replace nested primitive": (
        patient(contact=[{"name": {"text": "a"}, "gender": "male"}, {"gender": "female"}]),
        [op("replace", "Patient.contact[0].gender", value={"valueCode": "female"})],
        patient(contact=[{"name": {"text": "a"}, "gender": "female"}, {"gender": "female"}]),
    ),
    "replace nested primitive, second": (
        patient(contact=[{"gender": "male"}, {"gender": "male"}]),
        [op("replace", "Patient.contact[1].gender", value={"valueCode": "female"})],
        patient(contact=[{"gender": "male"}, {"gender": "female"}]),
    ),
    "delete nested primitive": (
        patient(contact=[{"name": {"text": "a"}, "gender": "male"}, {"gender": "male"}]),
        [op("delete", "Patient.contact[0].gender")],
        patient(contact=[{"name": {"text": "a"}}, {"gender": "male"}]),
    ),
    "add nested primitive": (
        patient(contact=[{"name": {"text": "a"}}]),
        [op("add", "Patient.contact[0]", name="gender", value={"valueCode": "male"})],
        patient(contact=[{"name": {"text": "a"}, "gender": "male"}]),
    ),
    "add complex": (
        patient(),
        [op("add", "Patient", name="maritalStatus", value={"valueCodeableConcept": MARRIED})],
        patient(maritalStatus=MARRIED),
    ),
    "replace complex": (
        patient(maritalStatus=MARRIED),
        [op("replace", "Patient.maritalStatus", value={"valueCodeableConcept": SINGLE})],
        patient(maritalStatus=SINGLE),
    ),
    "delete complex": (
        patient(maritalStatus=MARRIED),
        [op("delete", "Patient.maritalStatus")],
        patient(),
    ),
    "add anonymous type": (
        patient(),
        [
            op(
                "add",
                "Patient",
                name="contact",
                value=[part("name", valueHumanName={"text": "a name"})],
            )
        ],
        patient(contact=[{"name": {"text": "a name"}}]),
    ),
    "add anonymous type in anonymous type": (
        patient(contact=[{"gender": "male"}]),
        [
            op(
                "add",
                "Patient",
                name="contact",
                value=[
                    part("relationship", valueCodeableConcept={"text": "son"}),
                    part("relationship", valueCodeableConcept={"text": "carer"}),
                    part("name", part=[part("family", valueString="Ek")]),
                ],
            )
        ],
        patient(
            contact=[
                {"gender": "male"},
                {"relationship": [{"text": "son"}, {"text": "carer"}], "name": {"family": "Ek"}},
            ]
        ),
    ),
    "replace anonymous type": (
        patient(contact=[{"name": {"text": "a"}}, {"name": {"text": "b"}}]),
        [op("replace", "Patient.contact[0]", value=[part("gender", valueCode="male")])],
        patient(contact=[{"gender": "male"}, {"name": {"text": "b"}}]),
    ),
    "delete anonymous type": (
        patient(contact=[{"name": {"text": "a name"}}]),
        [op("delete", "Patient.contact[0]")],
        patient(),
    ),
    "list contents changed": (
        patient(identifier=ids("1", "2", "3")),
        [op("replace", "Patient.identifier[1].value", value={"valueString": "two"})],
        patient(identifier=ids("1", "two", "3")),
    ),
    "add to list": (
        patient(identifier=ids("1", "2")),
        [op("add", "Patient", name="identifier", value={"valueIdentifier": ids("3")[0]})],
        patient(identifier=ids("1", "2", "3")),
    ),
    "insert in list": (
        patient(identifier=ids("1", "3")),
        [op("insert", "Patient.identifier", index=1, value={"valueIdentifier": ids("2")[0]})],
        patient(identifier=ids("1", "2", "3")),
    ),
    "insert at the start": (
        patient(identifier=ids("2")),
        [op("insert", "Patient.identifier", index=0, value={"valueIdentifier": ids("1")[0]})],
        patient(identifier=ids("1", "2")),
    ),
    "insert at the end": (
        patient(identifier=ids("1")),
        [op("insert", "Patient.identifier", index=1, value={"valueIdentifier": ids("2")[0]})],
        patient(identifier=ids("1", "2")),
    ),
    "delete from list": (
        patient(identifier=ids("1", "2", "3")),
        [op("delete", "Patient.identifier[0]")],
        patient(identifier=ids("2", "3")),
    ),
    "list reorder": (
        patient(identifier=ids("1", "2", "3", "4")),
        [op("move", "Patient.identifier", source=3, destination=1)],
        patient(identifier=ids("1", "4", "2", "3")),
    ),
    "list reversed": (
        patient(identifier=ids("1", "2", "3", "4")),
        [op("move", "Patient.identifier", source=3, destination=at) for at in range(3)],
        patient(identifier=ids("4", "3", "2", "1")),
    ),
    "move to the end": (
        patient(identifier=ids("1", "2", "3")),
        [op("move", "Patient.identifier", source=0, destination=2)],
        patient(identifier=ids("2", "3", "1")),
    ),
    "several changes in their order": (
        patient(birthDate="1920-01-01", identifier=ids("1"), contact=[{"name": {"text": "a"}}]),
        [
            op("replace", "Patient.birthDate", value={"valueDate": "1930-01-01"}),
            op("insert", "Patient.identifier", index=0, value={"valueIdentifier": ids("0")[0]}),
            op("replace", "Patient.contact[0].name.text", value={"valueString": "the name"}),
            op("add", "Patient.contact[0]", name="gender", value={"valueCode": "male"}),
            op("add", "Patient", name="maritalStatus", value={"valueCodeableConcept": MARRIED}),
            op("delete", "Patient.identifier[1]"),
        ],
        patient(
            birthDate="1930-01-01",
            identifier=ids("0"),
            contact=[{"name": {"text": "the name"}, "gender": "male"}],
            maritalStatus=MARRIED,
        ),
    ),
    "delete of nothing": (
        patient(active=True),
        [op("delete", "Patient.gender")],
        patient(active=True),
    ),
    "path without the type": (
        patient(gender="male"),
        [op("replace", "gender", value={"valueCode": "female"})],
        patient(gender="female"),
    ),
    "delete leaves no empty owner": (
        patient(active=True, contact=[{"name": {"given": ["A"]}}]),
        [op("delete", "Patient.contact[0].name.given[0]")],
        patient(active=True),
    ),
    "delete of a whole list of one": (
        patient(identifier=ids("1")),
        [op("delete", "Patient.identifier")],
        patient(),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_kind_of_change(name: str) -> None:
    before, operations, after = CASES[name]
    assert apply(before, *operations) == after


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "id": "o", **more}


ML = {"value": 5, "unit": "mL"}
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


def test_extension_is_added_to_a_primitive() -> None:
    extension = [part("url", valueUri="http://a"), part("value", valueCode="x")]
    patched = apply(
        patient(birthDate="1950"), op("add", "Patient.birthDate", name="extension", value=extension)
    )
    assert patched == patient(
        birthDate="1950", _birthDate={"extension": [{"url": "http://a", "valueCode": "x"}]}
    )


def test_primitive_is_replaced_with_its_extensions() -> None:
    before = patient(birthDate="1950", _birthDate={"id": "x"})
    plain = op("replace", "Patient.birthDate", value={"valueDate": "1951"})
    assert apply(before, plain) == patient(birthDate="1951")
    twin = {"extension": [{"url": "http://a", "valueCode": "x"}]}
    with_twin = op("replace", "Patient.birthDate", value={"valueDate": "1951", "_valueDate": twin})
    assert apply(before, with_twin) == patient(birthDate="1951", _birthDate=twin)
    without_value = op("replace", "Patient.birthDate", value={"_valueDate": twin})
    assert apply(before, without_value) == patient(_birthDate=twin)


def test_lists_of_primitives_keep_step_with_their_extensions() -> None:
    twin = {"id": "b"}
    before = patient(name=[{"given": ["A", "B"], "_given": [None, twin]}])
    insert = op("insert", "Patient.name[0].given", index=1, value={"valueString": "X"})
    assert apply(before, insert) == patient(
        name=[{"given": ["A", "X", "B"], "_given": [None, None, twin]}]
    )
    move = op("move", "Patient.name[0].given", source=1, destination=0)
    assert apply(before, move) == patient(name=[{"given": ["B", "A"], "_given": [twin, None]}])
    assert apply(before, op("delete", "Patient.name[0].given[1]")) == patient(
        name=[{"given": ["A"]}]
    )


def test_resource_is_added_as_contained() -> None:
    device = {"resourceType": "Device", "id": "d"}
    patched = apply(patient(), op("add", "Patient", name="contained", value={"resource": device}))
    assert patched == patient(contained=[device])


def test_numbers_keep_their_form() -> None:
    quantity = decode(b'{"value":2.50,"unit":"mL"}')
    change = op("replace", "Observation.value", value={"valueQuantity": quantity})
    patched = apply(observation(valueQuantity=ML), change)
    assert b"2.50" in encode(patched)


def test_added_values_are_not_shared_with_the_patch() -> None:
    add = op("add", "Patient", name="name", value={"valueHumanName": {"family": "Ek"}})
    more = op("add", "Patient.name[0]", name="text", value={"valueString": "Ek"})
    assert apply(patient(), add, more, add)["name"] == [
        {"family": "Ek", "text": "Ek"},
        {"family": "Ek"},
    ]


# R4: "it is an error if no element matches", "if more than one element matches"; insert: index
# at most the length of the list; add: only where a non-repeating element does not exist yet.
NOT_POSSIBLE: dict[str, dict[str, Any]] = {
    "replace of nothing": op("replace", "Patient.gender", value={"valueCode": "male"}),
    "replace of several": op("replace", "Patient.identifier.value", value={"valueString": "x"}),
    "add to nothing": op("add", "Patient.maritalStatus", name="text", value={"valueString": "x"}),
    "add to several": op("add", "Patient.identifier", name="use", value={"valueCode": "usual"}),
    "add of what is there": op("add", "Patient", name="active", value={"valueBoolean": False}),
    "add of another choice": op("add", "Patient", name="deceased", value={"valueDateTime": "2020"}),
    "add of a wrong choice": op("add", "Patient", name="multipleBirth", value={"valueString": "x"}),
    "add of no element": op("add", "Patient", name="bogus", value={"valueString": "x"}),
    "add of no part": op("add", "Patient", name="contact", value=[part("bogus", valueCode="x")]),
    "add of a part twice": op(
        "add",
        "Patient",
        name="contact",
        value=[part("gender", valueCode="male"), part("gender", valueCode="male")],
    ),
    "add of no value": op("add", "Patient", name="gender", value={}),
    "add of two values": op(
        "add", "Patient", name="gender", value={"valueCode": "x", "valueId": "x"}
    ),
    "add of an empty value": op("add", "Patient", name="contact", value=[]),
    "add of null": op("add", "Patient", name="gender", value={"valueCode": None}),
    "value is no part": op("add", "Patient", name="contact", value=["x"]),
    "value is no list": op("add", "Patient", name="contact", value={"part": {}}),
    "delete of several": op("delete", "Patient.identifier"),
    "delete of all": op("delete", "Patient"),
    "replace of all": op("replace", "Patient", value={"resource": patient()}),
    "single of several": op("delete", "Patient.identifier.single()"),
    "insert past the end": op(
        "insert", "Patient.identifier", index=4, value={"valueIdentifier": {"value": "x"}}
    ),
    "insert in nothing": op(
        "insert", "Patient.name", index=0, value={"valueHumanName": {"text": "x"}}
    ),
    "insert in no list": op("insert", "Patient.active", index=0, value={"valueBoolean": True}),
    "move past the end": op("move", "Patient.identifier", source=3, destination=0),
    "move to past the end": op("move", "Patient.identifier", source=0, destination=3),
    "move of nothing": op("move", "Patient.name", source=0, destination=0),
    "id changed": op("replace", "Patient.id", value={"valueId": "p2"}),
    "id deleted": op("delete", "Patient.id"),
}


@pytest.mark.parametrize("name", NOT_POSSIBLE)
def test_what_cannot_be_done_is_refused(name: str) -> None:
    resource = patient(id="p", active=True, deceasedBoolean=False, identifier=ids("1", "2", "3"))
    before = copy.deepcopy(resource)
    error = refusal(resource, op("delete", "Patient.gender"), NOT_POSSIBLE[name])
    assert isinstance(error, Invalid)
    assert error.status == 422
    assert error.issues[0].expression in ("Parameters.parameter[1]", "Patient.id")
    assert resource == before


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


VALUE = part("value", valueCode="male")
NO_PATCHES: dict[str, Any] = {
    "no Parameters": {"resourceType": "Patient"},
    "nothing": None,
    "a list": [],
    "parameter is no list": {"resourceType": "Parameters", "parameter": {}},
    "parameter is no object": patch("operation"),  # type: ignore[arg-type]
    "another parameter": patch({"name": "op", "part": []}),
    "no parts": patch({"name": "operation"}),
    "parts are no list": patch({"name": "operation", "part": {}}),
    "part is no object": patch({"name": "operation", "part": ["x"]}),
    "no type": patch({"name": "operation", "part": [part("path", valueString="Patient")]}),
    "unknown type": patch(op("upsert", "Patient", name="gender", value={"valueCode": "male"})),
    "no path": patch({"name": "operation", "part": [part("type", valueCode="delete")]}),
    "no name": patch(op("add", "Patient", value={"valueCode": "male"})),
    "no value": patch(op("add", "Patient", name="gender")),
    "no index": patch(op("insert", "Patient.name", value={"valueHumanName": {"text": "x"}})),
    "no source": patch(op("move", "Patient.name", destination=1)),
    "no destination": patch(op("move", "Patient.name", source=1)),
    "negative index": patch(op("move", "Patient.name", source=-1, destination=0)),
    "boolean index": patch(op("move", "Patient.name", source=True, destination=0)),
    "index is a text": patch(op("move", "Patient.name", source="1", destination=0)),
    "index is a fraction": patch(op("move", "Patient.name", source=Number("1.5"), destination=0)),
    "path is a number": patch(
        {
            "name": "operation",
            "part": [part("type", valueCode="delete"), part("path", valueInteger=1)],
        }
    ),
    "path without value": patch(
        {"name": "operation", "part": [part("type", valueCode="delete"), part("path")]}
    ),
    "unknown part": patch(
        {
            "name": "operation",
            "part": [*op("delete", "Patient.name")["part"], part("bogus", valueCode="x")],
        }
    ),
    "part twice": patch(
        {"name": "operation", "part": [*op("delete", "Patient.name")["part"], VALUE, VALUE]}
    ),
}


@pytest.mark.parametrize("name", NO_PATCHES)
def test_what_is_no_patch_is_malformed(name: str) -> None:
    with pytest.raises(Malformed) as caught:
        apply_fhirpath_patch(patient(name=[{"text": "x"}]), NO_PATCHES[name])
    assert (caught.value.issues[0].expression or "").startswith("Parameters")


def test_nothing_is_applied_when_a_later_operation_is_malformed() -> None:
    resource = patient(gender="male")
    refusal(resource, op("delete", "Patient.gender"), op("upsert", "Patient"))
    assert resource == patient(gender="male")


def test_too_many_operations_are_refused() -> None:
    one = op("delete", "Patient.gender")
    assert apply(patient(), *[one] * MAX_OPERATIONS) == patient()
    assert isinstance(refusal(patient(), *[one] * (MAX_OPERATIONS + 1)), TooCostly)


def test_paths_that_look_at_too_much_are_refused() -> None:
    resource = patient(name=[{"given": ["A"] * 300}] * 300)
    path = "Patient.name.where(given.where($this = 'B').exists()).given"
    assert isinstance(refusal(resource, *[op("delete", path)] * 100), TooCostly)


def test_nesting_stays_readable() -> None:
    nested: list[dict[str, Any]] = [part("url", valueUri="http://a")]
    for _ in range(MAX_DEPTH // 2):
        nested = [part("url", valueUri="http://a"), part("extension", part=nested)]
    error = refusal(patient(), op("add", "Patient", name="extension", value=nested))
    assert isinstance(error, TooCostly)


def test_narrative_is_built_from_parts() -> None:
    div = "<div xmlns='http://www.w3.org/1999/xhtml'>x</div>"
    text = [part("status", valueCode="generated"), part("div", valueString=div)]
    patched = apply(patient(), op("add", "Patient", name="text", value=text))
    assert patched == patient(text={"status": "generated", "div": div})


WORDS = [
    *("Patient", "name", "given", "identifier", "value", "where", "first", "last", "extension"),
    *("ofType", "exists", "not", "as", "and", "or", "=", "!=", "~", "(", ")", "[", "]", ".", ","),
    *("0", "1", "99", "'a'", '"b"', "$this", "%resource", "`", "@2020", "|", "é", "\\", "true"),
]
ANY_PATH = st.lists(st.sampled_from([*WORDS, " "]), max_size=8).map("".join) | st.text(max_size=12)
ANY_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers(-1, 3) | st.text(max_size=3) | ANY_PATH,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["name", "part", "valueCode", "valueString", "_valueCode", "resource"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=8,
)


@given(ANY_PATH)
def test_any_path_leads_somewhere_or_is_refused(path: str) -> None:
    resource = patient(name=[{"given": ["A", "B"]}], identifier=ids("1"), active=True)
    with contextlib.suppress(Malformed, Invalid, TooCostly):
        patched = apply(resource, op("delete", path))
        assert b"[]" not in encode(patched)
        assert b"{}" not in encode(patched)


@given(st.sampled_from(["add", "insert", "delete", "replace", "move"]), ANY_PATH, ANY_VALUE)
def test_any_operation_is_done_or_refused(type_: str, path: str, value: Any) -> None:
    more = value if isinstance(value, dict) else {"valueCode": value}
    operation = op(type_, path, name="name", value=more, index=1, source=0, destination=0)
    with contextlib.suppress(Malformed, Invalid, TooCostly):
        apply(patient(name=[{"given": ["A"]}]), operation)


@given(ANY_VALUE)
def test_any_parameters_are_applied_or_refused(value: Any) -> None:
    for parameters in (value, {"resourceType": "Parameters", "parameter": value}):
        with contextlib.suppress(Malformed, Invalid, TooCostly):
            apply_fhirpath_patch(patient(), parameters)
