from __future__ import annotations

from typing import Any

import pytest

from service.errors import HyoidError
from service.standard.patching.merge_patch import apply_merge_patch, merged

# RFC 7396, appendix A: original, patch, result.
RFC_7396 = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    (["a", "b"], ["c", "d"], ["c", "d"]),
    ({"a": "b"}, ["c"], ["c"]),
    ({"a": "foo"}, None, None),
    ({"a": "foo"}, "bar", "bar"),
    ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
    ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("original", "patch", "result"), RFC_7396)
def test_examples_of_the_standard(original: Any, patch: Any, result: Any) -> None:
    assert merged(original, patch) == result


def test_the_resource_is_left_as_it_was() -> None:
    resource = {"resourceType": "Patient", "id": "p", "name": [{"family": "A"}]}
    patched = apply_merge_patch(resource, {"active": True, "name": None})
    assert patched == {"resourceType": "Patient", "id": "p", "active": True}
    assert resource["name"] == [{"family": "A"}]


@pytest.mark.parametrize("patch", [[], "x", None, {"id": "other"}, {"resourceType": "Group"}])
def test_what_is_no_patch_or_another_resource_is_refused(patch: Any) -> None:
    with pytest.raises(HyoidError):
        apply_merge_patch({"resourceType": "Patient", "id": "p"}, patch)
