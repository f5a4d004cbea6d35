"""Links between the entries of a Bundle. Sources: R4, RESTful API, section transaction ("all
matching links"); R4, Bundle, section references; types of elements by the official package."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.errors import HyoidError, Invalid, Malformed
from service.standard.bundles import plan
from service.standard.links import placeholders, rewrite

UUID = "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"
OID = "urn:oid:1.2.3"
HTTP = "http://example.org/fhir/Patient/1"
MAPPING = {UUID: "Patient/new", OID: "Patient/two", HTTP: "Patient/three"}


def rewritten(resource: dict[str, Any], **more: Any) -> dict[str, Any]:
    rewrite(resource, MAPPING, **more)
    return resource


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", **more}


@pytest.mark.parametrize("full_url", MAPPING)
def test_reference_becomes_type_and_id(full_url: str) -> None:
    found = rewritten(
        observation(
            subject={"reference": full_url, "display": "x"},
            performer=[{"reference": "Practitioner/1"}, {"reference": full_url}],
            contained=[{"resourceType": "Group", "member": [{"entity": {"reference": full_url}}]}],
            extension=[{"url": "http://a", "valueReference": {"reference": full_url}}],
        )
    )
    new = MAPPING[full_url]
    assert found["subject"] == {"reference": new, "display": "x"}
    assert found["performer"] == [{"reference": "Practitioner/1"}, {"reference": new}]
    assert found["contained"][0]["member"][0]["entity"]["reference"] == new
    assert found["extension"][0]["valueReference"]["reference"] == new


# (resource type, element below it, whether it is a link): types as in the official package
ELEMENTS: list[tuple[str, Any, bool]] = [
    ("Observation", {"extension": [{"url": "http://a", "valueUri": UUID}]}, True),
    ("Observation", {"extension": [{"url": "http://a", "valueUrl": UUID}]}, True),
    ("Observation", {"extension": [{"url": "http://a", "valueOid": OID}]}, True),
    ("Observation", {"extension": [{"url": "http://a", "valueUuid": UUID}]}, True),
    ("Observation", {"extension": [{"url": "http://a", "valueCanonical": UUID}]}, False),
    ("Observation", {"extension": [{"url": "http://a", "valueString": UUID}]}, False),
    ("Observation", {"extension": [{"url": UUID, "valueString": "x"}]}, False),
    ("Observation", {"valueString": UUID}, False),
    ("Observation", {"identifier": [{"system": "urn:ietf:rfc:3986", "value": UUID}]}, False),
    ("Observation", {"code": {"coding": [{"system": UUID, "code": "x"}]}}, False),
    ("Observation", {"meta": {"profile": [UUID]}}, False),
    ("Observation", {"meta": {"source": UUID}}, True),
    ("Observation", {"_valueString": {"extension": [{"url": "http://a", "valueUri": UUID}]}}, True),
    ("CarePlan", {"instantiatesUri": ["http://a", UUID]}, True),
    ("CarePlan", {"instantiatesCanonical": [UUID]}, False),
    ("CarePlan", {"activity": [{"detail": {"instantiatesUri": [UUID]}}]}, True),
    ("Provenance", {"policy": [UUID]}, True),
    ("DetectedIssue", {"reference": UUID}, True),
    ("PlanDefinition", {"action": [{"definitionUri": UUID}]}, True),
    ("PlanDefinition", {"action": [{"definitionCanonical": UUID}]}, False),
    ("PlanDefinition", {"action": [{"action": [{"definitionUri": UUID}]}]}, True),
    ("Questionnaire", {"item": [{"item": [{"linkId": UUID, "definition": UUID}]}]}, None),
    ("QuestionnaireResponse", {"questionnaire": UUID}, False),
    ("DocumentReference", {"content": [{"attachment": {"url": UUID}}]}, True),
    ("ValueSet", {"url": UUID}, False),
    ("ValueSet", {"expansion": {"identifier": UUID}}, True),
    ("StructureDefinition", {"mapping": [{"identity": "x", "uri": UUID}]}, True),
    ("Patient", {"contained": [{"resourceType": "ValueSet", "url": UUID}]}, False),
    ("Parameters", {"parameter": [{"name": "x", "valueUri": UUID}]}, True),
    (
        "Parameters",
        {"parameter": [{"name": "x", "part": [{"name": "y", "resource": observation(
            meta={"source": UUID})}]}]},
        True,
    ),
]  # fmt: skip


def leaves(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [leaf for inner in value.values() for leaf in leaves(inner)]
    if isinstance(value, list):
        return [leaf for inner in value for leaf in leaves(inner)]
    return [value]


@pytest.mark.parametrize(("type_", "element", "is_link"), ELEMENTS)
def test_uri_is_a_link_and_canonical_text_and_name_are_not(
    type_: str, element: dict[str, Any], is_link: bool | None
) -> None:
    found = leaves(rewritten({"resourceType": type_, **copy.deepcopy(element)}))
    changed = sum(leaf in MAPPING.values() for leaf in found)
    if is_link is None:
        assert changed == 1
        assert UUID in found
    else:
        assert changed == (1 if is_link else 0)


def test_reference_of_type_uri_without_entry_is_no_fault() -> None:
    resource = {"resourceType": "DetectedIssue", "reference": "urn:uuid:other"}
    assert rewritten(resource) == {"resourceType": "DetectedIssue", "reference": "urn:uuid:other"}


def test_expression_reference_without_entry_is_no_fault() -> None:
    expression = {"language": "text/cql", "reference": "urn:uuid:other"}
    resource = {
        "resourceType": "PlanDefinition",
        "action": [{"condition": [{"expression": expression}]}],
    }
    before = copy.deepcopy(resource)
    assert rewritten(resource) == before


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (f'<div><a href="{UUID}">x</a></div>', '<div><a href="Patient/new">x</a></div>'),
        (f"<div><a href='{UUID}'>x</a></div>", '<div><a href="Patient/new">x</a></div>'),
        (
            f'<div><img alt="a>b" src = "{UUID}"/></div>',
            '<div><img alt="a>b" src = "Patient/new"/></div>',
        ),
        (f'<div><a\nhref="{HTTP}">x</a></div>', '<div><a\nhref="Patient/three">x</a></div>'),
        (
            f'<div><a title="x" href="{OID}">x</a></div>',
            '<div><a title="x" href="Patient/two">x</a></div>',
        ),
        (
            '<div><a href="http&#58;//example.org/fhir/Patient/1">x</a></div>',
            '<div><a href="Patient/three">x</a></div>',
        ),
        (f'<div>href="{UUID}"</div>', None),
        (f'<div><p title="href {UUID}">src</p></div>', None),
        (f'<div><abbr href="{UUID}">x</abbr></div>', None),
        (f'<div><a href="{UUID}0">x</a></div>', None),
        ('<div><a href="#top">x</a></div>', None),
        (f'<div><a title=" href={UUID}" >x</a></div>', None),
    ],
)
def test_links_in_the_narrative(before: str, after: str | None) -> None:
    found = rewritten(observation(text={"status": "generated", "div": before}))
    assert found["text"]["div"] == (after or before)


def test_narrative_of_a_section_is_rewritten() -> None:
    div = f'<div><a href="{UUID}">x</a></div>'
    found = rewritten({"resourceType": "Composition", "section": [{"text": {"div": div}}]})
    assert "Patient/new" in found["section"][0]["text"]["div"]


def test_hostile_narrative_takes_no_time() -> None:
    div = "<a " * 200_000 + 'href="' * 100_000
    found = rewritten(observation(text={"div": div}))
    assert found["text"]["div"] == div


def test_relative_reference_is_below_the_root_of_its_entry() -> None:
    resource = observation(subject={"reference": "Patient/1"}, focus=[{"reference": "Group/7"}])
    found = rewritten(resource, full_url="http://example.org/fhir/Observation/9")
    assert found["subject"] == {"reference": "Patient/three"}
    assert found["focus"] == [{"reference": "Group/7"}]


@pytest.mark.parametrize("full_url", [None, UUID, "http://other.example/fhir/Observation/9"])
def test_relative_reference_elsewhere_stays(full_url: str | None) -> None:
    found = rewritten(observation(subject={"reference": "Patient/1"}), full_url=full_url)
    assert found["subject"] == {"reference": "Patient/1"}


@pytest.mark.parametrize("reference", ["#x", "Patient/1", "http://other.example/Patient/1", "x"])
def test_other_reference_stays(reference: str) -> None:
    found = rewritten(observation(subject={"reference": reference}))
    assert found["subject"] == {"reference": reference}


@pytest.mark.parametrize("reference", ["urn:uuid:other", "urn:oid:9.9", UUID.upper() + "urn:uuid:"])
def test_placeholder_without_entry_is_refused_with_its_place(reference: str) -> None:
    resource = observation(performer=[{"reference": "Patient/1"}, {"reference": reference}])
    if not reference.startswith("urn:"):
        assert rewritten(resource) is resource
        return
    with pytest.raises(Invalid) as caught:
        rewritten(resource, where="Bundle.entry[3].resource")
    (issue,) = caught.value.issues
    assert issue.expression == "Bundle.entry[3].resource.performer[1].reference"


def test_every_placeholder_without_entry_is_told() -> None:
    lost = {"reference": "urn:uuid:lost"}
    with pytest.raises(Invalid) as caught:
        rewritten(observation(subject=lost, performer=[lost]))
    found = {issue.expression for issue in caught.value.issues}
    assert found == {"Observation.subject.reference", "Observation.performer[0].reference"}


def test_conditional_reference_is_found_and_resolved() -> None:
    resource = observation(
        subject={"reference": "Patient?identifier=http://a|1"},
        performer=[{"reference": "Practitioner/1"}],
    )
    (found,) = rewrite(resource, {}, where="Bundle.entry[0].resource")
    assert found.type == "Patient"
    assert found.criteria == [("identifier", "http://a|1")]
    assert found.expression == "Bundle.entry[0].resource.subject.reference"
    found.resolve("Patient/1")
    assert resource["subject"] == {"reference": "Patient/1"}


@pytest.mark.parametrize("reference", ["Patient?", "Patient?identifier=", "Patient?_count=1"])
def test_conditional_reference_without_criteria_is_malformed(reference: str) -> None:
    with pytest.raises(Malformed) as caught:
        rewrite(observation(subject={"reference": reference}), {})
    assert caught.value.issues[0].expression == "Observation.subject.reference"


def test_placeholders_of_a_plan() -> None:
    def post(full_url: str | None, **meta: Any) -> dict[str, Any]:
        resource = observation(**({"meta": meta} if meta else {}))
        entry = {"request": {"method": "POST", "url": "Observation"}, "resource": resource}
        return {**entry, "fullUrl": full_url} if full_url else entry

    get = {"request": {"method": "GET", "url": "Patient/1"}, "fullUrl": "http://x/Patient/1"}
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [get, post(UUID), post(None), post("http://x/Observation/1", versionId="4")],
    }
    assert placeholders(plan(bundle)) == {
        UUID: 1,
        "http://x/Observation/1": 3,
        "http://x/Observation/1/_history/4": 3,
    }


def test_values_of_the_wrong_shape_do_no_harm() -> None:
    resource = observation(
        subject={"reference": 7}, text={"div": 3}, meta=[UUID], extension={"url": UUID}, x=None
    )
    assert isinstance(rewritten(resource), dict)


def test_refusals_are_of_the_one_family() -> None:
    with pytest.raises(HyoidError):
        rewrite(observation(subject={"reference": UUID}), {})
