"""Does the CapabilityStatement claim what works, all that works, and nothing else?

Source: http://hl7.org/fhir/R4/capabilitystatement.html. Every claim is tried over HTTP; on
SQLite only, since what is claimed does not depend on the engine.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest
from fhir.resources.R4B.capabilitystatement import CapabilityStatement

from service.data import mappings
from service.standard.registry import RESOURCE_TYPES
from tests import official
from tests.contract.outcomes import refusal
from tests.factories.minimal import minimal

Claims = dict[str, Any]

STRICT = {"Prefer": "handling=strict"}
HARMLESS = {
    "token": "never-there",
    "reference": "never-there",
    "date": "1926",
    "string": "never-there",
    "quantity": "5",
    "number": "5",
    "uri": "https://clinic.example/never-there",
}
WRONG = {
    "token": "a|b|c",
    "reference": "a b",
    "date": "soon",
    "quantity": "much",
    "number": "much",
}
"""Any text is a string or a URI."""
JSON_PATCH = {"Content-Type": "application/json-patch+json"}


@pytest.fixture(scope="module")
def client(live_service: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"{live_service}/fhir/", timeout=30) as found:
        yield found


@pytest.fixture(scope="module")
def claims(client: httpx.Client) -> Claims:
    found: Claims = client.get("metadata").json()
    return found


@pytest.fixture(scope="module")
def by_type(claims: Claims) -> dict[str, Claims]:
    return {resource["type"]: resource for resource in claims["rest"][0]["resource"]}


def _codes(listed: list[Claims]) -> set[str]:
    return {one["code"] for one in listed}


def test_it_is_valid(claims: Claims) -> None:
    assert CapabilityStatement.model_validate(claims)


def test_its_interactions_and_types_are_codes_of_r4(claims: Claims) -> None:
    """Against the code systems of the official package."""
    rest = claims["rest"][0]
    told = {code for resource in rest["resource"] for code in _codes(resource["interaction"])}
    known = {
        concept["code"]
        for system in official.resources("CodeSystem")
        if system["url"] == "http://hl7.org/fhir/restful-interaction"
        for concept in system["concept"]
        for concept in (concept, *concept.get("concept", ()))
    }
    assert told | _codes(rest["interaction"]) <= known
    types = {r["type"] for r in official.resources("StructureDefinition")}
    assert {resource["type"] for resource in rest["resource"]} <= types


def test_every_definition_is_official_and_of_the_kind_told(by_type: dict[str, Claims]) -> None:
    known = {p["url"]: p for p in official.resources("SearchParameter")}
    for name, resource in by_type.items():
        for parameter in resource["searchParam"]:
            meant = known[parameter["definition"]]
            assert meant["type"] == parameter["type"], (name, parameter)
            assert meant["code"] == parameter["name"], (name, parameter)
            bases = set(meant.get("base", [name]))
            assert {name, "Resource", "DomainResource"} & bases, (name, parameter)


def test_the_address_it_tells_is_where_it_was_found(claims: Claims, client: httpx.Client) -> None:
    assert f"{claims['implementation']['url']}/" == str(client.base_url)
    assert client.get(claims["url"]).json() == claims
    assert claims["fhirVersion"] == "4.0.1"


def test_every_type_held_is_claimed_and_no_other(
    by_type: dict[str, Claims], client: httpx.Client
) -> None:
    assert set(by_type) == set(RESOURCE_TYPES)
    every = {
        r["type"] for r in official.resources("StructureDefinition") if r["kind"] == "resource"
    }
    for name in sorted(every - set(by_type)):
        assert client.get(name).status_code == 404, name
        assert client.get(f"{name}/x").status_code == 404, name


STORED = tuple(name for name in RESOURCE_TYPES if name != "AuditEvent")
"""AuditEvents come from the audit log: what is claimed of them is tried in tests/rest/test_audit.py
and, by the parameters, here."""


@pytest.mark.parametrize("name", STORED)
def test_every_interaction_works(
    name: str, by_type: dict[str, Claims], client: httpx.Client
) -> None:
    body = minimal(name, "claimed")
    one = f"{name}/claimed"
    test = [{"op": "test", "path": "/resourceType", "value": name}]
    tries: dict[str, Callable[[], httpx.Response]] = {
        "create": lambda: client.post(name, json=body),
        "update": lambda: client.put(one, json=body),
        "read": lambda: client.get(one),
        "vread": lambda: client.get(f"{one}/_history/1"),
        "patch": lambda: client.patch(one, content=json.dumps(test), headers=JSON_PATCH),
        "history-instance": lambda: client.get(f"{one}/_history"),
        "history-type": lambda: client.get(f"{name}/_history"),
        "search-type": lambda: client.get(name),
        "delete": lambda: client.delete(one),
    }
    assert _codes(by_type[name]["interaction"]) == set(tries)
    for code, attempt in tries.items():
        answer = attempt()
        assert answer.status_code in (200, 201, 204), (code, answer.text)


@pytest.mark.parametrize("name", STORED)
def test_conditions_work_as_claimed(
    name: str, by_type: dict[str, Claims], client: httpx.Client
) -> None:
    claimed, body = by_type[name], minimal(name, "conditional")
    one, criteria = f"{name}/conditional", "_id=conditional"
    assert claimed["updateCreate"]
    assert client.put(one, json=body).status_code in (200, 201)
    read = client.get(one)
    assert claimed["versioning"] == "versioned"
    assert claimed["conditionalRead"] == "full-support"
    for header, value in (
        ("If-None-Match", read.headers["ETag"]),
        ("If-Modified-Since", read.headers["Last-Modified"]),
    ):
        assert client.get(one, headers={header: value}).status_code == 304, header
    assert claimed["conditionalCreate"]
    again = client.post(name, json=body, headers={"If-None-Exist": criteria})
    assert (again.status_code, again.json()["id"]) == (200, "conditional")
    assert claimed["conditionalUpdate"]
    updated = client.put(f"{name}?{criteria}", json=body)
    assert updated.headers["ETag"] != read.headers["ETag"]
    assert claimed["conditionalDelete"] == "single"
    assert client.delete(f"{name}?{criteria}").status_code == 204
    assert claimed["readHistory"]
    assert client.get(f"{one}/_history/1").status_code == 200


@pytest.mark.parametrize("name", RESOURCE_TYPES)
def test_every_parameter_is_understood_and_wrong_values_are_refused(
    name: str, by_type: dict[str, Claims], client: httpx.Client
) -> None:
    for parameter in by_type[name]["searchParam"]:
        code, kind = parameter["name"], parameter["type"]
        good = _composite(parameter) if kind == "composite" else HARMLESS[kind]
        answer = client.get(name, params={code: good}, headers=STRICT)
        assert answer.status_code == 200, (code, answer.text)
        if name in STORED:
            assert answer.json()["total"] == 0, code
        else:
            assert "entry" not in answer.json(), code
        wrong = "x" if kind == "composite" else WRONG.get(kind)
        if wrong is not None and code != "_id":
            answer = client.get(name, params={code: wrong}, headers=STRICT)
            assert answer.status_code == 400, (code, answer.text)
            assert refusal(answer)[0]["location"] == [f"http.{code}"]


def _composite(parameter: Claims) -> str:
    """A value for each component, by the kind that the official definition tells."""
    known = {p["url"]: p for p in official.resources("SearchParameter")}
    kinds = [known[c["definition"]]["type"] for c in known[parameter["definition"]]["component"]]
    return "$".join(HARMLESS[kind] for kind in kinds)


@pytest.mark.parametrize("name", RESOURCE_TYPES)
def test_every_include_is_understood(
    name: str, by_type: dict[str, Claims], client: httpx.Client
) -> None:
    told = [("_include", value) for value in by_type[name].get("searchInclude", ())]
    told += [("_revinclude", value) for value in by_type[name].get("searchRevInclude", ())]
    for pair in told:
        answer = client.get(name, params=[("_id", "x"), pair], headers=STRICT)
        assert answer.status_code == 200, (pair, answer.text)


@pytest.mark.parametrize("name", RESOURCE_TYPES)
def test_what_is_not_claimed_is_refused(
    name: str, by_type: dict[str, Claims], client: httpx.Client
) -> None:
    claimed = {parameter["name"] for parameter in by_type[name]["searchParam"]}
    others = {p["name"] for other in by_type.values() for p in other["searchParam"]}
    # Each type is asked a quarter of them, and all types together every one.
    for code in sorted(others - claimed)[RESOURCE_TYPES.index(name) % 4 :: 4]:
        answer = client.get(name, params={code: "x"}, headers=STRICT)
        assert answer.status_code == 400, code
        assert refusal(answer)[0]["code"] == "not-supported", code
    includes = set(by_type[name].get("searchInclude", ()))
    for code in sorted(claimed):
        if f"{name}:{code}" not in includes:
            answer = client.get(name, params={"_include": f"{name}:{code}"}, headers=STRICT)
            assert answer.status_code == 400, code


def test_every_official_parameter_is_claimed(by_type: dict[str, Claims]) -> None:
    """But for those that are left out with a reason, `near`, and those of genomics."""
    overlay = json.loads(mappings("r4", "overlay.json").read_bytes())
    for parameter in official.resources("SearchParameter"):
        if parameter["id"] in overlay["left-out"] or parameter["type"] == "special":
            continue
        if "genetic" in parameter.get("expression", ""):
            continue
        for name in set(parameter.get("base", ())) & set(STORED):
            told = {p["name"] for p in by_type[name]["searchParam"]}
            assert parameter["code"] in told, (name, parameter["code"])


@pytest.mark.parametrize("name", RESOURCE_TYPES)
def test_every_operation_is_there(
    name: str, by_type: dict[str, Claims], client: httpx.Client
) -> None:
    claimed = {operation["name"] for operation in by_type[name]["operation"]}
    assert "validate" in claimed
    for operation in claimed:
        answers = [client.post(f"{name}{level}/${operation}") for level in ("", "/never-there")]
        told = [a for a in answers if a.status_code < 400 or not _is_unknown(a)]
        assert told, operation
    for operation in ("meta", "meta-add", "everything", "document", "lastn", "expand", "apply"):
        if operation not in claimed:
            assert _is_unknown(client.post(f"{name}/never-there/${operation}")), operation


def _is_unknown(answer: httpx.Response) -> bool:
    return answer.status_code == 404 and refusal(answer)[0]["code"] == "not-supported"


def test_interactions_of_the_whole_service_work(claims: Claims, client: httpx.Client) -> None:
    tries: dict[str, Callable[[], httpx.Response]] = {
        "search-system": lambda: client.get("", params={"_type": "Patient"}),
        "history-system": lambda: client.get("_history"),
        "batch": lambda: client.post("", json={"resourceType": "Bundle", "type": "batch"}),
        "transaction": lambda: client.post(
            "", json={"resourceType": "Bundle", "type": "transaction"}
        ),
    }
    assert _codes(claims["rest"][0]["interaction"]) == set(tries)
    for code, attempt in tries.items():
        assert attempt().status_code == 200, code


def test_parameters_of_every_type_work_for_all(claims: Claims, client: httpx.Client) -> None:
    for parameter in claims["rest"][0]["searchParam"]:
        given = {"_type": "Patient,Group", parameter["name"]: HARMLESS[parameter["type"]]}
        assert client.get("", params=given, headers=STRICT).status_code == 200, parameter


def test_the_compartment_works(claims: Claims, client: httpx.Client) -> None:
    (told,) = claims["rest"][0]["compartment"]
    assert told == "http://hl7.org/fhir/CompartmentDefinition/patient"
    assert client.get("Patient/x/Observation").status_code == 200
    assert client.get("Patient/x/*").status_code == 200
    for other in ("Encounter", "Practitioner", "Device", "RelatedPerson"):
        assert client.get(f"{other}/x/Observation").status_code == 404


def test_every_format_is_given(claims: Claims, client: httpx.Client) -> None:
    for told in claims["format"]:
        assert client.get("metadata", params={"_format": told}).status_code == 200, told
    assert client.get("metadata", headers={"Accept": "application/fhir+json"}).status_code == 200
    for other in ("xml", "application/fhir+xml", "ttl", "ndjson"):
        assert client.get("metadata", params={"_format": other}).status_code == 406, other


def test_every_form_of_patch_is_taken(claims: Claims, client: httpx.Client) -> None:
    client.put("Patient/patched", json=minimal("Patient", "patched")).raise_for_status()
    bodies: dict[str, Any] = {
        "application/json-patch+json": [],
        "application/merge-patch+json": {},
        "application/fhir+json": {"resourceType": "Parameters"},
    }
    assert set(claims["patchFormat"]) == set(bodies)
    for told, body in bodies.items():
        content = json.dumps(body)
        answer = client.patch("Patient/patched", content=content, headers={"Content-Type": told})
        assert answer.status_code == 200, (told, answer.text)
    for other in ("application/xml-patch+xml", "application/fhir+xml", "text/plain"):
        answer = client.patch("Patient/patched", content="[]", headers={"Content-Type": other})
        assert answer.status_code == 415, other
