"""What a FHIRPath Patch makes of a resource. Source: R4, FHIRPath Patch, rules and examples."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.codec import decode, encode
from tests.standard.patching.fhirpath_patches import (
    MARRIED,
    ML,
    SINGLE,
    apply,
    ids,
    observation,
    op,
    part,
    patient,
)

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


def test_narrative_is_built_from_parts() -> None:
    div = "<div xmlns='http://www.w3.org/1999/xhtml'>x</div>"
    text = [part("status", valueCode="generated"), part("div", valueString=div)]
    patched = apply(patient(), op("add", "Patient", name="text", value=text))
    assert patched == patient(text={"status": "generated", "div": div})
