"""Differences of two versions. Outside oracle: the jsonpatch library applies what we find."""

from __future__ import annotations

import copy
from typing import Any

import jsonpatch
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.codec import Number, decode, same
from service.standard.differences import Operation, differences
from service.standard.patching.json_patch import apply_json_patch

PLAN = {
    "resourceType": "CarePlan",
    "id": "c",
    "status": "draft",
    "goal": [{"reference": "Goal/1"}, {"reference": "Goal/2"}],
    "activity": [
        {"detail": {"status": "scheduled", "code": {"text": "Lip seal"}}},
        {"detail": {"status": "scheduled", "code": {"text": "Chin tuck"}}},
    ],
    "note": [{"text": "first"}],
}


def changed(**more: Any) -> dict[str, Any]:
    return {**copy.deepcopy(PLAN), **more}


def told(old: dict[str, Any], new: dict[str, Any]) -> list[tuple[str, str, str]]:
    return [(found.op, found.path, found.text) for found in differences(old, new)]


def test_equal_versions_have_none() -> None:
    assert differences(PLAN, changed()) == []


def test_order_of_elements_is_no_difference() -> None:
    assert differences(PLAN, dict(reversed(PLAN.items()))) == []


def test_changed_value() -> None:
    assert told(PLAN, changed(status="active")) == [
        ("replace", "/status", "status changed from draft to active")
    ]


def test_element_added_and_removed() -> None:
    new = changed(title="Plan")
    del new["note"]
    assert told(PLAN, new) == [
        ("remove", "/note", 'note removed: [{"text":"first"}]'),
        ("add", "/title", "title added: Plan"),
    ]


def test_item_put_in_front_is_one_addition() -> None:
    goals = [{"reference": "Goal/0"}, *PLAN["goal"]]
    assert told(PLAN, changed(goal=goals)) == [("add", "/goal/0", "goal[0] added: Goal/0")]


def test_item_taken_from_the_middle_is_one_removal() -> None:
    old = changed(goal=[*PLAN["goal"], {"reference": "Goal/3"}])
    new = changed(goal=[{"reference": "Goal/1"}, {"reference": "Goal/3"}])
    assert told(old, new) == [("remove", "/goal/1", "goal[1] removed: Goal/2")]


def test_change_inside_an_item_is_told_at_its_place() -> None:
    new = changed()
    new["activity"][1]["detail"]["status"] = "completed"
    assert told(PLAN, new) == [
        (
            "replace",
            "/activity/1/detail/status",
            "activity[1].detail.status changed from scheduled to completed",
        )
    ]


def test_changed_item_beside_a_new_one_is_recognised() -> None:
    first = {"id": "a", "kind": "x", "n": 1}
    second = {"id": "b", "kind": "x", "n": 1}
    new = [{"id": "z", "kind": "q", "n": 9}, first, {**second, "n": 2}]
    found = told({"items": [first, second]}, {"items": new})
    assert [(op, path) for op, path, _text in found] == [
        ("add", "/items/0"),
        ("replace", "/items/2/n"),
    ]


def test_item_with_nothing_in_common_is_replaced_whole() -> None:
    found = told({"goal": [{"reference": "Goal/1"}]}, {"goal": [{"display": "Eat"}]})
    assert found == [("replace", "/goal/0", "goal[0] changed from Goal/1 to Eat")]


def test_precision_of_a_number_is_a_difference() -> None:
    found = differences({"value": Number("1.0")}, {"value": Number("1.00")})
    assert [operation.text for operation in found] == ["value changed from 1.0 to 1.00"]
    assert found[0].new.literal == "1.00"


def test_true_is_not_one() -> None:
    assert len(differences({"x": True}, {"x": 1})) == 1


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (b'{"value":2.50,"unit":"kPa"}', "2.50 kPa"),
        (b'{"coding":[{"code":"x","display":"Lip seal"}]}', "Lip seal"),
        (b'{"coding":[{"code":"x"}],"text":"Lips"}', "Lips"),
        (b'{"start":"2026-01-01"}', '{"start":"2026-01-01"}'),
        (b"true", "true"),
        (b'"' + b"x" * 200 + b'"', "x" * 79 + "…"),
    ],
)
def test_values_are_named_for_people(value: bytes, words: str) -> None:
    (found,) = differences({}, {"x": decode(value)})
    assert found.text == f"x added: {words}"


def test_names_are_escaped_in_the_path() -> None:
    assert [found.path for found in differences({}, {"a/b~c": 1})] == ["/a~1b~0c"]


def json_patch(operation: Operation) -> dict[str, Any]:
    """As an operation of RFC 6902."""
    found: dict[str, Any] = {"op": operation.op, "path": operation.path}
    return found if operation.op == "remove" else {**found, "value": operation.new}


def test_long_lists_are_compared_by_position() -> None:
    old = {"x": list(range(1_500))}
    new = {"x": [-1, *range(1_499), 7]}
    found = [json_patch(operation) for operation in differences(old, new)]
    assert len(found) == 1_501
    assert apply_json_patch(old, found) == new


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-3, 3)
    | st.sampled_from([Number("1.0"), Number("1.00"), Number("1")])
    | st.text("ab/~", max_size=2),
    lambda inner: (
        st.lists(inner, max_size=5)
        | st.dictionaries(st.text("ab/~", max_size=2), inner, max_size=4)
    ),
    max_leaves=20,
)
RESOURCES = st.dictionaries(st.text("abc/~", max_size=2), VALUES, max_size=4)


@given(RESOURCES, RESOURCES)
def test_applied_to_the_old_version_they_give_the_new(
    old: dict[str, Any], new: dict[str, Any]
) -> None:
    before = copy.deepcopy((old, new))
    operations = [json_patch(found) for found in differences(old, new)]
    assert same(apply_json_patch(old, operations), new)
    assert same(jsonpatch.apply_patch(old, operations), new)
    assert same([old, new], list(before))
