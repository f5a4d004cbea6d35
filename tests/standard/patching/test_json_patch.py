"""JSON Patch. Outside oracle: the examples of RFC 6902, appendix A, and RFC 6901, section 5."""

from __future__ import annotations

import contextlib
import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import HyoidError, Invalid, Malformed, TooCostly
from service.standard.codec import MAX_DEPTH, Number, decode, encode, same
from service.standard.patching.json_patch import MAX_OPERATIONS, apply_json_patch

PATIENT = {"resourceType": "Patient", "id": "p1", "active": True, "birthDate": "1950-02-01"}


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "id": "p1", **more}


def refusal(resource: dict[str, Any], operations: Any) -> HyoidError:
    with pytest.raises(HyoidError) as caught:
        apply_json_patch(resource, operations)
    return caught.value


APPENDIX_A: dict[str, tuple[Any, Any, Any]] = {
    "A.1 adding an object member": (
        '{"foo": "bar"}',
        '[{"op": "add", "path": "/baz", "value": "qux"}]',
        '{"baz": "qux", "foo": "bar"}',
    ),
    "A.2 adding an array element": (
        '{"foo": ["bar", "baz"]}',
        '[{"op": "add", "path": "/foo/1", "value": "qux"}]',
        '{"foo": ["bar", "qux", "baz"]}',
    ),
    "A.3 removing an object member": (
        '{"baz": "qux", "foo": "bar"}',
        '[{"op": "remove", "path": "/baz"}]',
        '{"foo": "bar"}',
    ),
    "A.4 removing an array element": (
        '{"foo": ["bar", "qux", "baz"]}',
        '[{"op": "remove", "path": "/foo/1"}]',
        '{"foo": ["bar", "baz"]}',
    ),
    "A.5 replacing a value": (
        '{"baz": "qux", "foo": "bar"}',
        '[{"op": "replace", "path": "/baz", "value": "boo"}]',
        '{"baz": "boo", "foo": "bar"}',
    ),
    "A.6 moving a value": (
        '{"foo": {"bar": "baz", "waldo": "fred"}, "qux": {"corge": "grault"}}',
        '[{"op": "move", "from": "/foo/waldo", "path": "/qux/thud"}]',
        '{"foo": {"bar": "baz"}, "qux": {"corge": "grault", "thud": "fred"}}',
    ),
    "A.7 moving an array element": (
        '{"foo": ["all", "grass", "cows", "eat"]}',
        '[{"op": "move", "from": "/foo/1", "path": "/foo/3"}]',
        '{"foo": ["all", "cows", "eat", "grass"]}',
    ),
    "A.8 testing a value: success": (
        '{"baz": "qux", "foo": ["a", 2, "c"]}',
        '[{"op": "test", "path": "/baz", "value": "qux"},'
        ' {"op": "test", "path": "/foo/1", "value": 2}]',
        '{"baz": "qux", "foo": ["a", 2, "c"]}',
    ),
    "A.10 adding a nested member object": (
        '{"foo": "bar"}',
        '[{"op": "add", "path": "/child", "value": {"grandchild": {}}}]',
        '{"foo": "bar", "child": {"grandchild": {}}}',
    ),
    "A.11 ignoring unrecognized elements": (
        '{"foo": "bar"}',
        '[{"op": "add", "path": "/baz", "value": "qux", "xyz": 123}]',
        '{"foo": "bar", "baz": "qux"}',
    ),
    "A.14 ~ escape ordering": (
        '{"/": 9, "~1": 10}',
        '[{"op": "test", "path": "/~01", "value": 10}]',
        '{"/": 9, "~1": 10}',
    ),
    "A.16 adding an array value": (
        '{"foo": ["bar"]}',
        '[{"op": "add", "path": "/foo/-", "value": ["abc", "def"]}]',
        '{"foo": ["bar", ["abc", "def"]]}',
    ),
}


@pytest.mark.parametrize("name", APPENDIX_A)
def test_example_of_rfc_6902(name: str) -> None:
    before, operations, after = (decode(text.encode()) for text in APPENDIX_A[name])
    assert same(apply_json_patch(before, operations), after)


APPENDIX_A_ERRORS = {
    "A.9 testing a value: error": (
        '{"baz": "qux"}',
        '[{"op": "test", "path": "/baz", "value": "bar"}]',
    ),
    "A.12 adding to a nonexistent target": (
        '{"foo": "bar"}',
        '[{"op": "add", "path": "/baz/bat", "value": "qux"}]',
    ),
    "A.15 comparing strings and numbers": (
        '{"/": 9, "~1": 10}',
        '[{"op": "test", "path": "/~01", "value": "10"}]',
    ),
}


@pytest.mark.parametrize("name", APPENDIX_A_ERRORS)
def test_error_example_of_rfc_6902(name: str) -> None:
    before, operations = (decode(text.encode()) for text in APPENDIX_A_ERRORS[name])
    error = refusal(before, operations)
    assert (error.status, error.issues[0].location) == (422, "patch[0]")


def test_pointers_of_rfc_6901_section_5() -> None:
    raw = (
        b'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,'
        b' "i\\\\j": 5, "k\\"l": 6, " ": 7, "m~n": 8}'
    )
    wanted = {
        "/foo": ["bar", "baz"],
        "/foo/0": "bar",
        "/": 0,
        "/a~1b": 1,
        "/c%d": 2,
        "/e^f": 3,
        "/g|h": 4,
        "/i\\j": 5,
        '/k"l': 6,
        "/ ": 7,
        "/m~0n": 8,
    }
    tests = [{"op": "test", "path": path, "value": value} for path, value in wanted.items()]
    document = decode(raw)
    assert same(apply_json_patch(document, tests), document)


NO_PATCH: dict[str, Any] = {
    "no list": {"op": "add", "path": "/active", "value": True},
    "no object": ["add"],
    "null": None,
    "no op": [{"path": "/active", "value": True}],
    "unknown op": [{"op": "upsert", "path": "/active", "value": True}],
    "op is no string": [{"op": ["add"], "path": "/active", "value": True}],
    "no path": [{"op": "add", "value": True}],
    "path is no string": [{"op": "add", "path": 7, "value": True}],
    "path without slash": [{"op": "add", "path": "active", "value": True}],
    "bad escape": [{"op": "add", "path": "/a~2", "value": True}],
    "no value": [{"op": "add", "path": "/active"}],
    "no from": [{"op": "move", "path": "/active"}],
    "from is no string": [{"op": "copy", "path": "/active", "from": None}],
    "from without slash": [{"op": "copy", "path": "/active", "from": "birthDate"}],
}


@pytest.mark.parametrize("name", NO_PATCH)
def test_what_is_no_patch_is_malformed(name: str) -> None:
    error = refusal(PATIENT, NO_PATCH[name])
    assert isinstance(error, Malformed)
    assert (error.issues[0].location or "").startswith("patch")


# RFC 6902, section 4 and 5 ("the target location MUST exist"), RFC 6901, section 4 (indexes).
NOT_POSSIBLE: dict[str, dict[str, Any]] = {
    "remove of nothing": {"op": "remove", "path": "/gender"},
    "replace of nothing": {"op": "replace", "path": "/gender", "value": "male"},
    "move of nothing": {"op": "move", "from": "/gender", "path": "/x"},
    "copy of nothing": {"op": "copy", "from": "/gender", "path": "/x"},
    "copy from inside a string": {"op": "copy", "from": "/birthDate/0", "path": "/x"},
    "test of nothing": {"op": "test", "path": "/gender", "value": "male"},
    "true is not one": {"op": "test", "path": "/active", "value": 1},
    "null is not absent": {"op": "test", "path": "/gender", "value": None},
    "inside a string": {"op": "add", "path": "/birthDate/0", "value": "x"},
    "inside a number": {"op": "add", "path": "/multipleBirthInteger/x", "value": "x"},
    "past the end": {"op": "add", "path": "/name/2", "value": {}},
    "end of list removed": {"op": "remove", "path": "/name/-"},
    "leading zero": {"op": "remove", "path": "/name/00"},
    "negative index": {"op": "remove", "path": "/name/-1"},
    "Arabic digit": {"op": "remove", "path": "/name/٠"},
    "no index": {"op": "remove", "path": "/name/family"},
    "into itself": {"op": "move", "from": "/name", "path": "/name/0/inner"},
    "whole resource removed": {"op": "remove", "path": ""},
    "replaced by a number": {"op": "replace", "path": "", "value": 7},
}


@pytest.mark.parametrize("name", NOT_POSSIBLE)
def test_what_cannot_be_done_is_refused_with_its_number(name: str) -> None:
    resource = patient(
        active=True, birthDate="1950", multipleBirthInteger=2, name=[{"family": "Ek"}]
    )
    before = copy.deepcopy(resource)
    ok = {"op": "test", "path": "/id", "value": "p1"}
    error = refusal(resource, [ok, NOT_POSSIBLE[name]])
    assert isinstance(error, Invalid)
    assert error.status == 422
    assert error.issues[0].location in ("patch[1]", None)
    assert "class" not in error.issues[0].text
    assert resource == before


@pytest.mark.parametrize(
    "operation",
    [
        {"op": "replace", "path": "/id", "value": "p2"},
        {"op": "remove", "path": "/id"},
        {"op": "replace", "path": "/resourceType", "value": "Group"},
        {"op": "move", "from": "/id", "path": "/language"},
        {"op": "replace", "path": "", "value": {"resourceType": "Patient", "id": "p2"}},
        {"op": "replace", "path": "", "value": {}},
    ],
)
def test_identity_stays(operation: dict[str, Any]) -> None:
    error = refusal(PATIENT, [operation])
    assert error.status == 422
    assert error.issues[0].expression in ("Patient.id", "Patient.resourceType")


def test_whole_resource_may_be_replaced_by_one_of_the_same_identity() -> None:
    after = patient(gender="female")
    assert apply_json_patch(PATIENT, [{"op": "replace", "path": "", "value": after}]) == after


def test_numbers_are_tested_by_value_and_kept_as_written() -> None:
    raw = b'{"resourceType":"Observation","id":"o","valueQuantity":{"value":1.00,"unit":"mL"}}'
    test = {"op": "test", "path": "/valueQuantity/value", "value": 1}
    copied = {"op": "copy", "from": "/valueQuantity/value", "path": "/other"}
    patched = apply_json_patch(decode(raw), [test, copied])
    assert encode(patched).count(b"1.00") == 2


def test_numbers_of_the_patch_keep_their_form() -> None:
    operations = decode(b'[{"op":"add","path":"/x","value":{"value":2.50}}]')
    patched = apply_json_patch(PATIENT, operations)
    assert patched["x"]["value"].literal == "2.50"


def test_neither_resource_nor_patch_is_changed() -> None:
    resource = patient(name=[{"family": "Ek"}])
    operations = [
        {"op": "add", "path": "/contact", "value": [{"gender": "male"}]},
        {"op": "add", "path": "/contact/0/name", "value": {"family": "Ek"}},
        {"op": "copy", "from": "/name/0", "path": "/name/-"},
        {"op": "replace", "path": "/name/1/family", "value": "Ax"},
    ]
    before = copy.deepcopy((resource, operations))
    patched = apply_json_patch(resource, operations)
    assert (resource, operations) == before
    assert patched["name"] == [{"family": "Ek"}, {"family": "Ax"}]


def test_too_many_operations_are_refused() -> None:
    one = {"op": "test", "path": "/id", "value": "p1"}
    assert apply_json_patch(PATIENT, [one] * MAX_OPERATIONS) == PATIENT
    assert isinstance(refusal(PATIENT, [one] * (MAX_OPERATIONS + 1)), TooCostly)


def test_doubling_by_copy_is_refused() -> None:
    doubling = [{"op": "copy", "from": "/name", "path": "/name/-"}] * 100
    error = refusal(patient(name=[{"family": "Ek"}]), doubling)
    assert isinstance(error, TooCostly)


def test_one_long_text_copied_often_is_refused() -> None:
    copies = [{"op": "copy", "from": "/t", "path": f"/t{i}"} for i in range(40)]
    assert isinstance(refusal(patient(t="x" * 1_000_000), copies), TooCostly)


def test_nesting_stays_readable() -> None:
    value: Any = []
    for _ in range(MAX_DEPTH - 2):
        value = [value]
    deepest = apply_json_patch(PATIENT, [{"op": "add", "path": "/x", "value": value}])
    assert decode(encode(deepest)) == deepest
    error = refusal(PATIENT, [{"op": "add", "path": "/x", "value": [value]}])
    assert isinstance(error, TooCostly)
    moves = [{"op": "copy", "from": "/x", "path": "/x" + "/0" * 50}]
    assert isinstance(refusal(deepest, moves), TooCostly)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text("ab/~", max_size=3),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text("ab/~", max_size=2), inner, max_size=3)
    ),
    max_leaves=8,
)
PATHS = st.lists(st.sampled_from(["a", "b", "0", "1", "-", "~0", "~1", ""]), max_size=3).map(
    lambda parts: "".join("/" + part for part in parts)
)
OPERATIONS = st.fixed_dictionaries(
    {"op": st.sampled_from(["add", "remove", "replace", "move", "copy", "test"]), "path": PATHS},
    optional={"value": VALUES, "from": PATHS},
)


@given(st.dictionaries(st.text("ab", max_size=2), VALUES), st.lists(OPERATIONS, max_size=4))
def test_anything_is_applied_or_refused_and_nothing_is_changed_behind_the_back(
    document: dict[str, Any], operations: list[dict[str, Any]]
) -> None:
    before = copy.deepcopy((document, operations))
    with contextlib.suppress(Malformed, Invalid, TooCostly):
        assert isinstance(apply_json_patch(document, operations), dict)
    assert (document, operations) == before


def test_number_and_integer_of_one_value_are_equal() -> None:
    resource = patient(x=Number("1e0"))
    assert apply_json_patch(resource, [{"op": "test", "path": "/x", "value": 1}]) == resource
