"""Profiles over HTTP: what is asked on a write, and what $validate tells.

Outside source: R4, http.html#create (422 where a resource violates applicable profiles) and
OperationDefinition Resource-validate.
"""

from __future__ import annotations

from typing import Any

import httpx

from tests.factories.clinical import patient
from tests.standard.profiles.test_check import MEASURE, OWN, measure

Resource = dict[str, Any]


def issues(answer: httpx.Response) -> list[tuple[str, str, str | None]]:
    """(severity, code, expression) of each issue."""
    return [
        (issue["severity"], issue["code"], issue.get("expression", [None])[0])
        for issue in answer.json()["issue"]
        if "dom-6" not in issue["diagnostics"]
    ]


def subject(fhir: httpx.Client, name: str) -> Resource:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    return {"reference": f"Patient/{name}"}


def test_a_write_is_refused_where_it_breaks_a_profile_it_names(
    fhir: httpx.Client, name: str
) -> None:
    bad = measure(subject=subject(fhir, name), performer=None)
    missing = ("error", "required", "Observation.performer")
    posted = fhir.post("Observation", json=bad)
    assert (posted.status_code, issues(posted)) == (422, [missing])
    put = fhir.put(f"Observation/{name}", json=bad | {"id": name})
    assert (put.status_code, issues(put)) == (422, [missing])
    good = measure(subject=subject(fhir, name))
    assert fhir.put(f"Observation/{name}", json=good | {"id": name}).status_code == 201
    patch = [{"op": "remove", "path": "/performer"}]
    headers = {"Content-Type": "application/json-patch+json"}
    patched = fhir.patch(f"Observation/{name}", json=patch, headers=headers)
    assert (patched.status_code, issues(patched)) == (422, [missing])
    assert fhir.get(f"Observation/{name}").json()["meta"]["versionId"] == "1"


def test_a_transaction_is_refused_with_the_place_in_the_bundle(
    fhir: httpx.Client, name: str
) -> None:
    who = subject(fhir, name)
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"resource": each, "request": {"method": "POST", "url": "Observation"}}
            for each in (measure(subject=who), measure(subject=who, performer=None))
        ],
    }
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 422
    assert issues(answer) == [("error", "required", "Bundle.entry[1].resource.performer")]
    found = fhir.get("Observation", params={"patient": name, "_summary": "count"}).json()
    assert found["total"] == 0
    batch = fhir.post("", json=bundle | {"type": "batch"}).json()["entry"]
    assert [entry["response"]["status"][:3] for entry in batch] == ["201", "422"]


def test_unknown_profiles_do_not_hinder(fhir: httpx.Client, name: str) -> None:
    unknown = measure(subject=subject(fhir, name), meta={"profile": ["urn:elsewhere"]})
    assert fhir.post("Observation", json=unknown).status_code == 201
    answer = fhir.post("Observation/$validate", json=unknown)
    assert issues(answer) == [("warning", "not-supported", "Observation")]


def test_validate_against_a_profile_that_is_asked_for(fhir: httpx.Client) -> None:
    plain = measure(meta=None, performer=None)
    clean = fhir.post("Observation/$validate", json=plain)
    assert issues(clean) == []
    asked = {"profile": f"{OWN}outcome-measure"}
    found = fhir.post("Observation/$validate", params=asked, json=plain)
    assert found.status_code == 200
    assert issues(found) == [("error", "required", "Observation.performer")]
    inside = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "resource", "resource": plain},
            {"name": "profile", "valueUri": f"{OWN}outcome-measure"},
        ],
    }
    assert issues(fhir.post("Observation/$validate", json=inside)) == issues(found)
    other = {"profile": f"{OWN}therapy-plan"}
    assert issues(fhir.post("Observation/$validate", params=other, json=plain)) == [
        ("error", "structure", "Observation.meta.profile")
    ]


def test_validate_says_what_is_not_checked(fhir: httpx.Client, name: str) -> None:
    url = f"https://made.example/{name}"
    stored = {
        "resourceType": "StructureDefinition",
        "id": name,
        "url": url,
        "name": "Made",
        "status": "active",
        "kind": "resource",
        "abstract": False,
        "type": "Observation",
        "baseDefinition": "http://hl7.org/fhir/us/core/StructureDefinition/x",
        "derivation": "constraint",
        "differential": {
            "element": [
                {"id": "Observation", "path": "Observation"},
                {"id": "Observation.method", "path": "Observation.method", "min": 1},
                {
                    "id": "Observation.value[x]",
                    "path": "Observation.value[x]",
                    "minValueQuantity": {"value": 0},
                },
            ]
        },
    }
    asked = {"profile": url}
    unknown = fhir.post("Observation/$validate", params=asked, json=measure(meta=None))
    assert issues(unknown) == [("warning", "not-supported", "Observation")]
    fhir.put(f"StructureDefinition/{name}", json=stored).raise_for_status()
    found = fhir.post("Observation/$validate", params=asked, json=measure(meta=None))
    assert issues(found) == [
        ("error", "required", "Observation.method"),
        ("information", "not-supported", "Observation"),
        ("warning", "not-supported", "Observation"),
    ]


def test_validate_knows_value_sets_that_were_stored(fhir: httpx.Client, name: str) -> None:
    """A clinic's own code becomes good by a newer version of the value set, for $validate."""
    local = {"coding": [{"system": f"urn:{name}", "code": "own"}]}
    resource = measure(code=local)
    assert ("error", "code-invalid", "Observation.code") in issues(
        fhir.post("Observation/$validate", json=resource)
    )
    url = "https://hyoid.example/fhir/ValueSet/outcome-measure"
    wider = {
        "resourceType": "ValueSet",
        "id": name,
        "url": url,
        "version": "99.0",
        "status": "active",
        "compose": {
            "include": [
                {"system": MEASURE},
                {"system": f"urn:{name}", "concept": [{"code": "own"}]},
            ],
        },
    }
    fhir.put(f"ValueSet/{name}", json=wider).raise_for_status()
    after = issues(fhir.post("Observation/$validate", json=resource))
    fhir.delete(f"ValueSet/{name}").raise_for_status()
    assert after == []
