"""What is left of a resource for `_summary` and `_elements`? R4 search page, #summary, #elements.

Which elements are of the summary: the Σ of the resource pages, isSummary of the official package.
"""

from __future__ import annotations

from typing import Any

from service.standard.searching.query import Shape
from service.standard.searching.subset import cuts, subset

RESOURCE: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "o1",
    "meta": {"versionId": "1", "tag": [{"code": "mine"}]},
    "text": {"status": "generated", "div": "<div/>"},
    "status": "final",
    "code": {"text": "x"},
    "issued": "2026-03-04T09:00:00Z",
    "_issued": {"extension": [{"url": "http://x", "valueString": "y"}]},
    "valueInteger": 5,
    "note": [{"text": "n"}],
    "component": [{"code": {"text": "y"}, "valueInteger": 1, "interpretation": [{"text": "z"}]}],
}


def kept(shape: Shape, *, match: bool = True) -> set[str]:
    return set(subset(RESOURCE, shape, match=match)) - {"resourceType", "id", "meta"}


def test_summary_true_keeps_what_is_of_the_summary() -> None:
    found = subset(RESOURCE, Shape(summary="true"))
    assert set(found) == set(RESOURCE) - {"text", "note"}
    assert found["component"] == [{"code": {"text": "y"}, "valueInteger": 1}]


def test_summary_text_keeps_the_narrative_and_what_is_mandatory() -> None:
    assert kept(Shape(summary="text")) == {"text", "status", "code"}


def test_summary_data_leaves_out_the_narrative() -> None:
    assert kept(Shape(summary="data")) == set(RESOURCE) - {"text", "resourceType", "id", "meta"}


def test_elements_keep_what_is_named_and_what_is_mandatory() -> None:
    assert kept(Shape(elements=("value", "issued"))) == {
        *("status", "code", "valueInteger", "issued", "_issued")
    }


def test_elements_are_for_matches_only() -> None:
    assert subset(RESOURCE, Shape(elements=("value",)), match=False) is RESOURCE


def test_what_was_cut_is_tagged_and_keeps_its_other_tags() -> None:
    found = subset(RESOURCE, Shape(summary="data"))
    assert [tag["code"] for tag in found["meta"]["tag"]] == ["mine", "SUBSETTED"]
    assert RESOURCE["meta"]["tag"] == [{"code": "mine"}]


def test_nothing_is_cut_unasked() -> None:
    for shape in (Shape(), Shape(summary="false"), Shape(summary="count")):
        assert not cuts(shape)
        assert subset(RESOURCE, shape) is RESOURCE
