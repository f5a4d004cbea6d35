"""The door: what is valid has no error, what is wrong is told once, with its place.

Outside sources: R4 pages Resource Formats (JSON), Data Types, Base Definitions; the element
tables of the official package. The lists are worked examples of single sentences there.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Invalid
from service.standard.codec import decode
from service.standard.validation import Surroundings, check, validate
from service.standard.validation.findings import MAX_ISSUES
from tests.standard.validation.resources import (
    UUID,
    Resource,
    bundle,
    errors,
    extended,
    observation,
    patient,
    resource,
    warnings,
)

LATE = {"extension": [{"url": "http://example.org/why", "valueCode": "unknown"}]}

VALID: dict[str, Resource] = {
    "nothing but the type": {"resourceType": "Patient"},
    "a required primitive that only has extensions": observation(status=None, _status=LATE),
    "null-padded lists": patient(name=[{"given": ["a", None], "_given": [None, LATE]}]),
    "extensions without any value": patient(name=[{"_given": [LATE]}]),
    "an id beside a primitive": patient(birthDate="2020", _birthDate={"id": "a"}),
    "a type of extension that R4B dropped": extended(valueMeta={"versionId": "1"}),
    "an extension whose value is only extended": extended(_valueString=LATE),
    "a complex extension": patient(
        extension=[
            {"url": "http://example.org/x", "extension": [{"url": "part", "valueCode": "a b"}]}
        ]
    ),
    "Binary has no narrative": {"resourceType": "Binary", "contentType": "text/plain"},
    "empty Parameters": {"resourceType": "Parameters"},
    "Parameters with parts and resources": {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "a", "part": [{"name": "b", "valueString": "c"}]},
            {"name": "d", "resource": patient()},
        ],
    },
    "a contained type that the service does not hold": patient(
        contained=[{"resourceType": "Medication", "id": "m"}],
        extension=[{"url": "http://example.org/x", "valueReference": {"reference": "#m"}}],
    ),
    "a contained type that R4B does not know": patient(
        contained=[{"resourceType": "MedicinalProduct", "id": "m", "name": [{"productName": "x"}]}],
        extension=[{"url": "http://example.org/x", "valueReference": {"reference": "#m"}}],
    ),
}


@pytest.mark.parametrize("case", VALID)
def test_what_is_valid_has_no_error(case: str) -> None:
    assert errors(VALID[case]) == []


INVALID: dict[str, tuple[Resource, str, str]] = {
    "unknown element": (observation(foo=1), "structure", "Observation.foo"),
    "unknown element inside": (
        observation(component=[{"code": {"text": "a"}, "bar": 1}]),
        "structure",
        "Observation.component[0].bar",
    ),
    "comments of older releases": (
        observation(fhir_comments=["a"]),
        "structure",
        "Observation.fhir_comments",
    ),
    "a name of the library's own": (
        observation(resource_type="Observation"),
        "structure",
        "Observation.resource_type",
    ),
    "element of R4B": (
        extended(valueRatioRange={"denominator": {"value": 1}}),
        "structure",
        "Patient.extension[0].valueRatioRange",
    ),
    "extension object of a complex element": (
        observation(_code={"id": "a"}),
        "structure",
        "Observation.code",
    ),
    "required element missing": (observation(code=None), "required", "Observation.code"),
    "required element of a backbone missing": (
        patient(link=[{"other": {"reference": "Patient/1"}}]),
        "required",
        "Patient.link[0].type",
    ),
    "required choice missing": (
        resource(
            "Group",
            type="person",
            actual=True,
            characteristic=[{"code": {"text": "a"}, "exclude": False}],
        ),
        "required",
        "Group.characteristic[0].value",
    ),
    "two of a choice": (
        observation(valueString="a", valueQuantity={"value": 1}),
        "structure",
        "Observation.value",
    ),
    "a choice and the extensions of another": (
        observation(valueString="a", _valueInteger=LATE),
        "structure",
        "Observation.value",
    ),
    "object for a list": (patient(name={"family": "x"}), "structure", "Patient.name"),
    "list for an object": (observation(code=[{"text": "a"}]), "structure", "Observation.code"),
    "string for an object": (
        observation(subject='{"reference": "Patient/1"}'),
        "structure",
        "Observation.subject",
    ),
    "list for a primitive": (observation(status=["final"]), "structure", "Observation.status"),
    "empty list": (observation(category=[]), "structure", "Observation.category"),
    "empty object": (observation(category=[{}]), "structure", "Observation.category[0]"),
    "only an id": (observation(subject={"id": "a"}), "structure", "Observation.subject"),
    "empty string": (observation(valueString=""), "structure", "Observation.value"),
    "null": (observation(category=[None]), "structure", "Observation.category[0]"),
    "null without extensions": (
        patient(name=[{"given": ["a", None]}]),
        "structure",
        "Patient.name[0].given[1]",
    ),
    "null on both sides": (
        patient(name=[{"given": ["a", None], "_given": [LATE, None]}]),
        "structure",
        "Patient.name[0].given[1]",
    ),
    "list in a list": (
        patient(name=[{"given": [["a"]]}]),
        "structure",
        "Patient.name[0].given[0]",
    ),
    "empty extension object": (observation(_status={}), "structure", "Observation.status"),
    "extension objects in a list": (
        observation(_status=[{"id": "a"}]),
        "structure",
        "Observation.status",
    ),
    "unknown part of an extension object": (
        observation(_status={"id": "a", "foo": 1}),
        "structure",
        "Observation.status",
    ),
    "bad extension of a primitive": (
        observation(_status={"extension": [{"valueString": "a"}]}),
        "required",
        "Observation.status.extension[0].url",
    ),
    "wrong kind of primitive": (observation(valueBoolean="true"), "value", "Observation.value"),
    "bad code": (observation(status="bogus"), "code-invalid", "Observation.status"),
    "inside Parameters": (
        {"resourceType": "Parameters", "parameter": [{"name": "a", "resource": patient(x=1)}]},
        "structure",
        "Parameters.parameter[0].resource.x",
    ),
    "inside a Bundle": (
        bundle(
            "batch",
            {"resource": patient(), "request": {"method": "POST", "url": "Patient"}},
            {"resource": patient(gender="x"), "request": {"method": "POST", "url": "Patient"}},
        ),
        "code-invalid",
        "Bundle.entry[1].resource.gender",
    ),
    "inside a contained resource": (
        observation(
            contained=[{"resourceType": "Patient", "id": "p", "gender": "x"}],
            subject={"reference": "#p"},
        ),
        "code-invalid",
        "Observation.contained[0].gender",
    ),
    "unknown type in a Bundle": (
        bundle("collection", {"fullUrl": UUID, "resource": {"resourceType": "Nope"}}),
        "structure",
        "Bundle.entry[0].resource",
    ),
    "no type in a Bundle": (
        bundle("collection", {"fullUrl": UUID, "resource": {"id": "a"}}),
        "structure",
        "Bundle.entry[0].resource",
    ),
    "an abstract type": ({"resourceType": "DomainResource"}, "structure", "DomainResource"),
    "a datatype": ({"resourceType": "Quantity", "value": 1}, "structure", "Quantity"),
    "no type": ({"id": "a"}, "structure", "resourceType"),
}


@pytest.mark.parametrize("case", INVALID)
def test_what_is_wrong_is_told_once_with_its_place(case: str) -> None:
    checked, code, expression = INVALID[case]
    assert (code, expression) in errors(checked)
    assert len(errors(checked)) == len(set(errors(checked)))


def test_every_problem_is_found() -> None:
    checked = observation(
        status="bogus", foo=1, effectiveDateTime="2026-02-30", referenceRange=[{}], code=None
    )
    assert sorted(errors(checked), key=str) == [
        ("code-invalid", "Observation.status"),
        ("invariant", "Observation.referenceRange[0]"),
        ("required", "Observation.code"),
        ("structure", "Observation.foo"),
        ("structure", "Observation.referenceRange[0]"),
        ("value", "Observation.effective"),
    ]


def test_foreign_contained_resources_are_judged_too() -> None:
    held: Resource = {"resourceType": "Medication", "id": "m", "foo": 1}
    checked = patient(
        contained=[held],
        extension=[{"url": "http://example.org/x", "valueReference": {"reference": "#m"}}],
    )
    assert errors(checked) == [("structure", "Patient.contained[0].foo")]
    held["foo"] = []
    assert ("structure", "Patient.contained[0].foo") in errors(checked)


def test_missing_narrative_is_a_warning_and_no_error() -> None:
    assert warnings({"resourceType": "Patient"}) == [("invariant", "Patient")]
    check({"resourceType": "Patient"})


def test_numbers_of_any_precision_are_decimals() -> None:
    for literal in ("0.000", "-0", "1e10", "1.0E-20", "12345678901234567890.12", "9" * 26):
        raw = f'{{"resourceType":"Observation","valueQuantity":{{"value":{literal}}}}}'
        found = errors(decode(raw.encode()))
        assert {place for _, place in found} == {"Observation.status", "Observation.code"}


def test_check_raises_all_issues_with_400() -> None:
    with pytest.raises(Invalid) as caught:
        check(observation(status="bogus", foo=1))
    assert caught.value.status == 400
    assert len(caught.value.issues) == 2


def test_check_raises_422_where_only_codes_are_wrong() -> None:
    with pytest.raises(Invalid) as caught:
        check(observation(status="bogus"))
    assert caught.value.status == 422


def test_texts_name_the_element_and_do_not_repeat_long_input() -> None:
    long = "x" * 5000
    changes: list[Any] = [
        observation(status=long),
        observation(effectiveDateTime=long),
        observation(**{long: 1}),
        observation(subject={"reference": long}),
        {"resourceType": long},
        observation(text={"status": "generated", "div": f"<div><{long}/></div>"}),
        observation(valueString=long + "\x00"),
        extended(valueInteger=int("9" * 4000)),
    ]
    for checked in changes:
        found = [issue for issue in validate(checked) if issue.severity == "error"]
        assert found
        assert all("x" * 81 not in issue.text and "9" * 81 not in issue.text for issue in found)
        assert all(len(issue.text) < 400 for issue in found)


def test_a_body_full_of_faults_is_told_up_to_a_limit() -> None:
    found = validate(observation(category=[{"foo": 1}] * 5000))
    assert len(found) == MAX_ISSUES + 1
    assert found[-1].code == "too-long"


def test_the_resource_is_not_changed() -> None:
    checked = observation(valueQuantity={"value": 1}, foo=[{}])
    before = repr(checked)
    validate(checked)
    assert repr(checked) == before


def test_an_entry_can_be_checked_within_its_bundle() -> None:
    checked = observation(
        subject={"reference": UUID}, encounter={"reference": "Encounter?identifier=a"}
    )
    transaction = bundle("transaction", {"fullUrl": UUID, "resource": patient()})
    within = Surroundings.of(transaction)
    assert [i for i in validate(checked, within=within) if i.severity == "error"] == []
    assert errors(checked) == [("value", "Observation.encounter.reference")]
