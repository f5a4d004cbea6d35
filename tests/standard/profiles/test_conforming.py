"""Cardinality, types, fixed values, bindings, rules, slices.

Outside sources: R4, profiling.html (slicing, discriminators), terminologies.html#strength,
ElementDefinition; the code list of discriminator-type in the package.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.profiles.reading import _DISCRIMINATORS, read_profile
from service.standard.terminology.shipped import Shelf
from tests.official import package
from tests.standard.profiles.made import (
    Resource,
    changed,
    coded,
    element,
    issues,
    profile,
    slicing,
    told,
)

STATUS = "http://hl7.org/fhir/ValueSet/observation-status"
STATUSES = "http://hl7.org/fhir/observation-status"
CODING = {"system": "urn:x", "code": "y"}


UNREADABLE = {"key": "x", "severity": "error", "human": "h", "expression": "a + * b"}


def observation(**more: Any) -> Resource:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": coded("1"),
        "subject": {"reference": "Patient/1"},
        **more,
    }


@pytest.mark.parametrize(
    ("said", "count", "code"),
    [
        ({"min": 1}, 0, "required"),
        ({"min": 1}, 1, None),
        ({"min": 2}, 1, "required"),
        ({"max": "0"}, 1, "structure"),
        ({"max": "0"}, 0, None),
        ({"max": "1"}, 2, "structure"),
        ({"max": "*"}, 9, None),
    ],
)
def test_cardinality(said: dict[str, Any], count: int, code: str | None) -> None:
    asked = profile(element("Observation.note", **said))
    notes = [{"text": str(n)} for n in range(count)]
    found = told(observation(note=notes) if notes else observation(), asked)
    assert found == ([(code, "Observation.note")] if code else [])


def test_an_element_that_is_asked_for_inside_one_that_is_not_there() -> None:
    """Source: profiling.html: the minimum of a child counts where its parent is there."""
    asked = profile(element("Observation.referenceRange.text", min=1))
    assert told(observation(), asked) == []
    found = told(observation(referenceRange=[{"low": {"value": 1}}]), asked)
    assert found == [("required", "Observation.referenceRange[0].text")]


def test_a_primitive_with_extensions_only_is_there() -> None:
    extension = {"extension": [{"url": "urn:x", "valueString": "y"}]}
    asked = profile(element("Observation.issued", min=1))
    assert told(observation(), asked)
    assert told(observation(_issued=extension), asked) == []


def test_types_of_a_choice() -> None:
    asked = profile(element("Observation.value[x]", type=[{"code": "Quantity"}]))
    assert told(observation(valueQuantity={"value": 1}), asked) == []
    assert told(observation(valueString="1"), asked) == [("structure", "Observation.value")]
    short = profile(element("Observation.valueQuantity", min=1))
    assert told(observation(), short) == [("required", "Observation.value")]
    assert told(observation(valueString="1"), short)


def test_types_that_are_referred_to() -> None:
    target = "http://hl7.org/fhir/StructureDefinition/"
    asked = profile(
        element(
            "Observation.subject",
            type=[{"code": "Reference", "targetProfile": [f"{target}Patient"]}],
        )
    )
    for reference, allowed in (
        ("Patient/1", True),
        ("http://other.example/fhir/Patient/1", True),
        ("Patient?identifier=urn:x|1", True),
        ("urn:uuid:c757873d-ec9a-4326-a141-556f43239520", True),
        ("Group/1", False),
        ("#g", False),
    ):
        resource = observation(
            subject={"reference": reference}, contained=[{"resourceType": "Group", "id": "g"}]
        )
        assert (told(resource, asked) == []) is allowed, reference


def test_fixed_and_pattern() -> None:
    fixed = profile(element("Observation.status", fixedCode="amended"))
    assert told(observation(), fixed) == [("value", "Observation.status")]
    pattern = profile(element("Observation.code", patternCodeableConcept=coded("1")))
    assert told(observation(code=coded("1", display="One")), pattern) == []
    assert told(observation(code=coded("2")), pattern) == [("value", "Observation.code")]
    exact = profile(element("Observation.code", fixedCodeableConcept=coded("1")))
    assert told(observation(code=coded("1", display="One")), exact)


@pytest.mark.parametrize(
    ("strength", "concept", "severity"),
    [
        ("required", coded("final", STATUSES), None),
        (
            "required",
            {"coding": [*coded("x")["coding"], *coded("final", STATUSES)["coding"]]},
            None,
        ),
        ("required", coded("bogus", STATUSES), "error"),
        ("required", coded("final"), "error"),
        ("required", {"text": "final"}, "error"),
        ("extensible", coded("bogus", STATUSES), "warning"),
        ("extensible", {"text": "final"}, None),
        ("preferred", coded("bogus", STATUSES), None),
        ("example", coded("bogus", STATUSES), None),
    ],
)
def test_bindings(strength: str, concept: Resource, severity: str | None) -> None:
    """Source: terminologies.html#strength."""
    asked = profile(
        element("Observation.method", binding={"strength": strength, "valueSet": STATUS})
    )
    found = issues(observation(method=concept), asked)
    assert [issue.severity for issue in found] == ([severity] if severity else [])
    assert all(issue.code == "code-invalid" for issue in found)


def test_a_value_set_that_is_not_held_is_said_to_be_unchecked() -> None:
    binding = {"strength": "required", "valueSet": "http://nowhere.example/vs"}
    found = issues(
        observation(method=coded("x")), profile(element("Observation.method", binding=binding))
    )
    assert [(issue.severity, issue.code) for issue in found] == [("warning", "not-supported")]


def test_rules_in_fhirpath() -> None:
    rule = {
        "key": "m-1",
        "severity": "error",
        "human": "A value or a reason",
        "expression": "value.exists() or dataAbsentReason.exists()",
    }
    asked = profile()
    asked["differential"]["element"][0]["constraint"] = [
        rule,
        rule | {"key": "m-2", "severity": "warning"},
    ]
    found = issues(observation(), asked)
    assert [(i.severity, i.code) for i in found] == [
        ("error", "invariant"),
        ("warning", "invariant"),
    ]
    assert "m-1" in found[0].text
    assert issues(observation(valueBoolean=True), asked) == []


def test_lengths() -> None:
    asked = profile(element("Observation.note.text", maxLength=3))
    assert told(observation(note=[{"text": "four"}]), asked) == [
        ("too-long", "Observation.note[0].text")
    ]


# Slices


def test_every_kind_of_discriminator_is_used_or_said_to_be_unchecked() -> None:
    """Source: CodeSystem discriminator-type; `profile` needs the target, which is not fetched."""
    official = {c["code"] for c in package()["CodeSystem-discriminator-type"]["concept"]}
    assert official - _DISCRIMINATORS == {"profile"}
    by_profile = profile(
        slicing("Observation.hasMember", ("profile", "resolve()")),
        element("Observation.hasMember:one", min=1),
    )
    found = issues(observation(), by_profile)
    assert {issue.severity for issue in found} == {"information"}
    assert any("hasMember" in issue.text for issue in found)


def by_category(rules: str = "open", **more: Any) -> Resource:
    return profile(
        slicing("Observation.category", ("pattern", "$this"), rules=rules, **more),
        element("Observation.category:first", min=1, max="1", patternCodeableConcept=coded("a")),
        element("Observation.category:second", min=0, max="1", patternCodeableConcept=coded("b")),
    )


@pytest.mark.parametrize(
    ("rules", "ordered", "categories", "codes"),
    [
        ("open", False, ["a"], []),
        ("open", False, ["c", "b", "a"], []),
        ("open", False, ["b"], ["required"]),
        ("open", False, ["a", "a"], ["structure"]),
        ("closed", False, ["a", "b"], []),
        ("closed", False, ["a", "c"], ["structure"]),
        ("openAtEnd", False, ["b", "a", "c"], []),
        ("openAtEnd", False, ["c", "a"], ["structure"]),
        ("open", True, ["a", "b"], []),
        ("open", True, ["b", "a"], ["structure"]),
    ],
)
def test_slices_by_pattern(
    rules: str, ordered: bool, categories: list[str], codes: list[str]
) -> None:
    """Source: CodeSystem resource-slicing-rules; profiling.html#slicing."""
    asked = by_category(rules, ordered=ordered)
    found = told(observation(category=[coded(code) for code in categories]), asked)
    assert [code for code, _ in found] == codes


def test_slices_by_a_value_further_in() -> None:
    asked = profile(
        slicing("Observation.component", ("value", "code.coding.code")),
        element("Observation.component:one", min=1),
        element("Observation.component:one.code.coding.code", fixedCode="1"),
        element("Observation.component:one.value[x]", min=1, type=[{"code": "Quantity"}]),
    )
    good = {"code": coded("1"), "valueQuantity": {"value": 1}}
    assert told(observation(component=[good, {"code": coded("2")}]), asked) == []
    assert told(observation(component=[{"code": coded("2")}]), asked) == [
        ("required", "Observation.component")
    ]
    assert told(observation(component=[changed(good, valueQuantity=None)]), asked) == [
        ("required", "Observation.component[0].value")
    ]


def test_slices_by_a_required_binding() -> None:
    asked = profile(
        slicing("Observation.category", ("value", "$this")),
        element(
            "Observation.category:status",
            min=1,
            max="1",
            binding={"strength": "required", "valueSet": STATUS},
        ),
    )
    assert told(observation(category=[coded("x"), coded("final", STATUSES)]), asked) == []
    assert told(observation(category=[coded("x")]), asked) == [("required", "Observation.category")]


def test_slices_by_whether_something_is_there() -> None:
    asked = profile(
        slicing("Observation.note", ("exists", "time")),
        element("Observation.note:dated", max="1"),
        element("Observation.note:dated.time", min=1),
        element("Observation.note:undated", max="0"),
        element("Observation.note:undated.time", max="0"),
    )
    dated = {"text": "a", "time": "2026"}
    assert told(observation(note=[dated]), asked) == []
    assert told(observation(note=[dated, {"text": "b"}]), asked) == [
        ("structure", "Observation.note")
    ]


def test_slices_by_type_and_by_the_type_of_a_target() -> None:
    core = "http://hl7.org/fhir/StructureDefinition/"
    target = [{"code": "Reference", "targetProfile": [f"{core}Procedure"]}]
    asked = profile(
        slicing("Observation.partOf", ("type", "$this.resolve()")),
        element("Observation.partOf:technique", min=1, type=target),
    )
    assert told(observation(partOf=[{"reference": "Procedure/1"}]), asked) == []
    assert told(observation(partOf=[{"reference": "Immunization/1"}]), asked) == [
        ("required", "Observation.partOf")
    ]
    choice = profile(
        slicing("Observation.value[x]", ("type", "$this"), rules="closed"),
        element("Observation.value[x]:valueQuantity", type=[{"code": "Quantity"}]),
        element("Observation.value[x]:valueQuantity.unit", min=1),
    )
    assert told(observation(valueQuantity={"value": 1}), choice) == [
        ("required", "Observation.value.unit")
    ]
    assert told(observation(valueString="x"), choice) == [("structure", "Observation.value")]


def test_extensions_are_sliced_by_url_without_saying_so() -> None:
    extension = [{"code": "Extension", "profile": ["https://made.example/dose"]}]
    asked = profile(element("Observation.extension:dose", min=1, max="1", type=extension))
    dose = {"url": "https://made.example/dose", "valueString": "x"}
    other = {"url": "https://made.example/other", "valueString": "x"}
    assert told(observation(extension=[other, dose]), asked) == []
    assert told(observation(extension=[other]), asked) == [("required", "Observation.extension")]
    assert told(observation(extension=[dose, dose]), asked) == [
        ("structure", "Observation.extension")
    ]


# What is not checked


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        (element("Observation.value[x]", minValueInteger=1), "minValueInteger"),
        (element("Observation.note:a/b", min=1), "slice"),
        (element("Observation.colour", min=1), "does not have"),
        (element("Observation" + ".extension" * 5000, min=1), "none of Observation"),
        (
            element(
                "Observation.code",
                constraint=[
                    {"key": "x", "severity": "error", "human": "h", "expression": "a + * b"}
                ],
            ),
            "FHIRPath",
        ),
        (
            element(
                "Observation.focus",
                type=[{"code": "Reference", "targetProfile": ["http://made.example/p"]}],
            ),
            "keeps to http://made.example/p",
        ),
    ],
)
def test_it_is_said_plainly(what: Resource, expected: str) -> None:
    assert any(expected in text for text in read_profile(profile(what)).unchecked)
    said = issues(observation(), profile(what))
    assert any(i.severity == "information" and expected in i.text for i in said)


def test_the_base_counts_where_it_is_held() -> None:
    base = profile(element("Observation.note", min=1), url="https://made.example/base")
    asked = profile(element("Observation.method", min=1), baseDefinition=base["url"])
    assert told(observation(), asked, base) == [
        ("required", "Observation.method"),
        ("required", "Observation.note"),
    ]
    alone = issues(observation(method=coded("x")), asked)
    assert [(i.severity, "is not held" in i.text) for i in alone] == [("warning", True)]


def test_a_profile_of_another_type_does_not_fit() -> None:
    assert told(observation(), profile(type="Patient")) == [
        ("structure", "Observation.meta.profile")
    ]


def test_library_may_bring_value_sets_of_its_own() -> None:
    shelf = Shelf(
        [
            {
                "resourceType": "ValueSet",
                "url": "https://made.example/vs",
                "status": "active",
                "compose": {"include": [{"system": "urn:x", "concept": [{"code": "y"}]}]},
            }
        ]
    )
    binding = {"strength": "required", "valueSet": "https://made.example/vs"}
    asked = profile(element("Observation.method", binding=binding))
    assert told(observation(method=coded("y", "urn:x")), asked, library=shelf) == []
    assert told(observation(method=coded("z", "urn:x")), asked, library=shelf)
