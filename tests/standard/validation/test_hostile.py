"""Whatever is sent, the answer is a list of issues. Resources are mutated at random places."""

from __future__ import annotations

import copy
import sys
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import Issue
from service.standard.codec import Number
from service.standard.validation import validate
from tests.standard.validation.resources import UUID, XHTML, bundle, narrative, patient, resource

BASES: list[dict[str, Any]] = [
    resource(
        "Observation",
        status="final",
        code={"coding": [{"system": "http://loinc.org", "code": "1-8"}]},
        subject={"reference": "#p"},
        contained=[{"resourceType": "Patient", "id": "p", "name": [{"given": ["a"]}]}],
        effectivePeriod={"start": "2026-01-01", "end": "2026-01-02"},
        valueQuantity={"value": Number("1.00"), "unit": "s"},
        component=[{"code": {"text": "a"}, "valueRange": {"low": {"value": 1}}}],
        _status={"extension": [{"url": "http://example.org/x", "valueCode": "a"}]},
    ),
    resource(
        "Questionnaire",
        status="active",
        item=[
            {"linkId": "a", "type": "group", "item": [{"linkId": "b", "type": "string"}]},
            {
                "linkId": "c",
                "type": "choice",
                "answerOption": [{"valueCoding": {"code": "d"}}],
                "enableWhen": [{"question": "b", "operator": "exists", "answerBoolean": True}],
            },
        ],
    ),
    bundle(
        "document",
        {
            "fullUrl": UUID,
            "resource": resource(
                "Composition",
                status="final",
                type={"text": "a"},
                date="2026",
                title="b",
                author=[{"display": "c"}],
                section=[{"text": narrative(), "entry": [{"reference": "Patient/1"}]}],
            ),
        },
        {"fullUrl": "http://example.org/Patient/1", "resource": patient(id="1")},
        identifier={"system": "http://example.org", "value": "1"},
        timestamp="2026-01-01T00:00:00Z",
    ),
    resource(
        "StructureDefinition",
        url="http://example.org/x",
        name="X",
        status="draft",
        kind="resource",
        abstract=False,
        type="Patient",
        baseDefinition="http://hl7.org/fhir/StructureDefinition/Patient",
        snapshot={
            "element": [
                {
                    "id": "Patient",
                    "path": "Patient",
                    "min": 0,
                    "max": "*",
                    "definition": "a",
                    "base": {"path": "Patient", "min": 0, "max": "*"},
                }
            ]
        },
    ),
    {"resourceType": "Parameters", "parameter": [{"name": "a", "resource": patient()}]},
]
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.sampled_from([Number("1e400"), Number("-0"), Number("1." + "0" * 400), 0.5])
    | st.text(max_size=20)
    | st.sampled_from(["#", "#p", "a" * 3000, "2026-13-01", "\x00", f"<div {XHTML}>", "Patient/1"])
)
JUNK = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.text(max_size=5)
            | st.sampled_from(["resourceType", "id", "url", "extension", "reference", "_value"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


def _places(value: Any) -> list[tuple[Any, Any]]:
    """Every (holder, key) below."""
    found: list[tuple[Any, Any]] = []
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in pairs:
        found.append((value, key))
        if isinstance(inner, dict | list):
            found += _places(inner)
    return found


@st.composite
def mutated(draw: st.DrawFn) -> dict[str, Any]:
    """A valid resource with one to four places changed, taken out, doubled or renamed."""
    made = copy.deepcopy(draw(st.sampled_from(BASES)))
    for _ in range(draw(st.integers(1, 4))):
        places = _places(made)
        if not places:
            break
        holder, key = draw(st.sampled_from(places))
        match draw(st.sampled_from(["replace", "remove", "wrap", "rename", "add"])):
            case "replace":
                holder[key] = draw(JUNK)
            case "remove":
                del holder[key]
            case "wrap":
                holder[key] = [holder[key], holder[key]]
            case "rename" if isinstance(holder, dict):
                holder[draw(st.sampled_from([f"_{key}", "foo", "_", "", "id"]))] = holder.pop(key)
            case _ if isinstance(holder, dict):
                holder[draw(st.text(max_size=8))] = draw(JUNK)
            case _:
                holder.append(draw(JUNK))
    return made


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutated())
def test_any_mutation_is_answered_with_issues(made: dict[str, Any]) -> None:
    before = repr(made)
    found = validate(made)
    assert all(isinstance(issue, Issue) for issue in found)
    assert all(len(issue.text) < 600 for issue in found)
    assert len(set(found)) == len(found)
    assert repr(made) == before


@pytest.mark.parametrize("base", BASES, ids=lambda base: str(base["resourceType"]))
def test_what_is_mutated_was_valid(base: dict[str, Any]) -> None:
    assert [issue for issue in validate(base) if issue.severity == "error"] == []


@given(st.dictionaries(st.text(max_size=10), JUNK, max_size=4))
def test_any_object_is_answered_with_issues(made: dict[str, Any]) -> None:
    assert any(issue.severity == "error" for issue in validate(made))


@pytest.mark.parametrize("levels", [45, 3000])
def test_deep_resources_are_answered(levels: int) -> None:
    inner: dict[str, Any] = {"url": "http://example.org/x", "valueString": "a"}
    for _ in range(levels):
        inner = {"url": "http://example.org/x", "extension": [inner]}
    found = [issue for issue in validate(patient(extension=[inner])) if issue.severity == "error"]
    assert bool(found) == (levels > 100)


def test_ten_times_the_elements_take_ten_times_the_steps() -> None:
    """Counted in calls, not in seconds: a list is not looked through for each of its elements."""

    def calls(count: int) -> int:
        coding = [{"system": "http://loinc.org", "code": str(n)} for n in range(count)]
        made = resource(
            "Observation",
            status="final",
            code={"coding": coding},
            valueString="a",
            component=[{"code": {"coding": [one]}} for one in coding],
            contained=[{"resourceType": "Patient", "id": str(n)} for n in range(count)],
            performer=[{"reference": f"#{n}"} for n in range(count)],
        )
        counted = 0

        def count_call(frame: Any, event: str, argument: Any) -> None:
            nonlocal counted
            counted += event in ("call", "c_call")

        sys.setprofile(count_call)
        try:
            validate(made)
        finally:
            sys.setprofile(None)
        return counted

    calls(10)
    assert calls(1000) < 11 * calls(100)
