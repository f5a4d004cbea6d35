"""Outside source: R4, rules dom-2 to dom-5 and References, section Contained Resources."""

from __future__ import annotations

from typing import Any

import pytest

from tests.standard.validation.resources import errors, keys, observation

HELD: dict[str, Any] = {"resourceType": "Patient", "id": "p"}


def test_a_contained_resource_that_is_referred_to_is_accepted() -> None:
    assert errors(observation(contained=[HELD], subject={"reference": "#p"})) == []


def test_a_reference_from_another_contained_resource_counts() -> None:
    group = {
        "resourceType": "Group",
        "id": "g",
        "type": "person",
        "actual": True,
        "member": [{"entity": {"reference": "#p"}}],
    }
    assert errors(observation(contained=[HELD, group], subject={"reference": "#g"})) == []


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"contained": [{"resourceType": "Patient", "id": "q"}]}, "dom-2"),
        ({"meta": {"versionId": "1"}}, "dom-4"),
        ({"meta": {"lastUpdated": "2026-01-01T00:00:00Z"}}, "dom-4"),
        ({"meta": {"security": [{"code": "R"}]}}, "dom-5"),
        ({"id": "other"}, "dom-3"),
    ],
)
def test_what_a_contained_resource_may_not_have(change: dict[str, Any], key: str) -> None:
    checked = observation(contained=[HELD | change], subject={"reference": "#p"})
    assert key in keys(checked)


def test_nobody_refers_to_it() -> None:
    assert keys(observation(contained=[HELD])) == {"dom-3"}


def test_ids_within_one_container_are_unique() -> None:
    checked = observation(contained=[HELD, HELD], subject={"reference": "#p"})
    assert errors(checked) == [("duplicate", "Observation.contained[1]")]
