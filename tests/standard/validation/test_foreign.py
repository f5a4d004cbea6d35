"""Outside source: R4, Resource Formats, JSON: no empty arrays, objects and strings, nulls only to
pad; Data Types, string: no control characters."""

from __future__ import annotations

from typing import Any

import pytest

from tests.standard.validation.resources import Resource, errors, patient


def holding(**elements: Any) -> Resource:
    held = {"resourceType": "Medication", "id": "m", **elements}
    link = {"url": "http://example.org/x", "valueReference": {"reference": "#m"}}
    return patient(contained=[held], extension=[link])


def test_a_clean_one_is_accepted() -> None:
    assert (
        errors(holding(code={"text": "a"}, ingredient=[{"itemReference": {"display": "b"}}])) == []
    )


@pytest.mark.parametrize(
    ("element", "place"),
    [
        ({"code": {"text": "a\x00"}}, ".code.text"),
        ({"code": {"text": ""}}, ".code.text"),
        ({"code": {}}, ".code"),
        ({"code": None}, ".code"),
        ({"ingredient": []}, ".ingredient"),
        ({"ingredient": [[]]}, ".ingredient[0]"),
        ({"foo": 1}, ".foo"),
        ({"status": 5}, ".status"),
        ({"code": {"coding": [{"code": "x" * 1_048_577}]}}, ".code.coding[0].code"),
    ],
)
def test_what_no_json_of_fhir_may_have_is_refused(element: dict[str, Any], place: str) -> None:
    assert f"Patient.contained[0]{place}" in {found for _, found in errors(holding(**element))}
