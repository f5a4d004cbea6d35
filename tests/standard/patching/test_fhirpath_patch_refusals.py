"""Which FHIRPath Patches cannot be done. Source: R4, FHIRPath Patch."""

from __future__ import annotations

import contextlib
import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Invalid, Malformed, TooCostly
from service.standard.codec import MAX_DEPTH, Number, encode
from service.standard.patching.fhirpath_patch import MAX_OPERATIONS, apply_fhirpath_patch
from tests.standard.patching.fhirpath_patches import (
    apply,
    ids,
    op,
    part,
    patch,
    patient,
    refusal,
)

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
