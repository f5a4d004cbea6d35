"""$expand, $validate-code, $lookup, $subsumes, $translate over HTTP, with stored definitions too.

Outside source: the OperationDefinitions of hl7.fhir.r4.core 4.0.1 (levels, parameters, outcomes).
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from service.rest import terminology_inputs as tables
from service.rest.operations import OPERATIONS
from tests.official import package

STATUS = "http://hl7.org/fhir/ValueSet/observation-status"
TECHNIQUE = "https://hyoid.example/fhir/CodeSystem/technique"
CLINIC = "https://juniper-bend.example/codes/technique"

Resource = dict[str, Any]


def values(answer: httpx.Response) -> dict[str, Any]:
    """Values of a Parameters answer by name; parts and properties left aside."""
    assert answer.status_code == 200, answer.text
    return {
        entry["name"]: next((v for k, v in entry.items() if k.startswith("value")), None)
        for entry in answer.json()["parameter"]
    }


def codes(answer: httpx.Response) -> list[str]:
    assert answer.status_code == 200, answer.text
    return [entry["code"] for entry in answer.json()["expansion"].get("contains", ())]


def refused(answer: httpx.Response, status: int) -> str:
    """The issue code of a refusal."""
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    code: str = body["issue"][0]["code"]
    return code


def put(fhir: httpx.Client, resource: Resource) -> None:
    address = f"{resource['resourceType']}/{resource['id']}"
    fhir.put(address, json=resource).raise_for_status()


def system(name: str, *listed: str, **more: Any) -> Resource:
    return {
        "resourceType": "CodeSystem",
        "id": name,
        "url": f"https://made.example/{name}",
        "version": "1",
        "status": "active",
        "content": "complete",
        "concept": [{"code": code, "display": f"The {code}"} for code in listed],
        **more,
    }


def value_set(name: str, *include: Resource, **more: Any) -> Resource:
    return {
        "resourceType": "ValueSet",
        "id": name,
        "url": f"https://made.example/sets/{name}",
        "version": "1",
        "status": "active",
        "compose": {"include": list(include)},
        **more,
    }


@pytest.mark.parametrize(
    ("definition", "table"),
    [
        ("ValueSet-expand", tables.EXPAND),
        ("ValueSet-validate-code", tables.VALIDATE_IN_SET),
        ("CodeSystem-validate-code", tables.VALIDATE_IN_SYSTEM),
        ("CodeSystem-lookup", tables.LOOKUP),
        ("CodeSystem-subsumes", tables.SUBSUMES),
        ("ConceptMap-translate", tables.TRANSLATE),
    ],
)
def test_parameters_and_levels_are_those_of_the_definition(definition: str, table: Any) -> None:
    """Source: OperationDefinition.parameter, .type, .instance."""
    official = package()[f"OperationDefinition-{definition}"]
    wanted = {p["name"] for p in official["parameter"] if p["use"] == "in"}
    assert set(table) == wanted
    offered = OPERATIONS[official["url"]]
    assert offered.name == official["code"]
    assert offered.types == frozenset(official["resource"])
    levels = {level for level in ("system", "type", "instance") if official[level]}
    assert offered.levels == levels


def test_the_statement_claims_each_operation_once(fhir: httpx.Client) -> None:
    rest = fhir.get("metadata").json()["rest"][0]
    claimed = {
        (r["type"], o["name"], o["definition"].rpartition("/")[2])
        for r in rest["resource"]
        for o in r["operation"]
        if r["type"] in ("ValueSet", "CodeSystem", "ConceptMap") and o["name"] != "validate"
    }
    assert {
        ("ValueSet", "expand", "ValueSet-expand"),
        ("ValueSet", "validate-code", "ValueSet-validate-code"),
        ("CodeSystem", "validate-code", "CodeSystem-validate-code"),
        ("CodeSystem", "lookup", "CodeSystem-lookup"),
        ("CodeSystem", "subsumes", "CodeSystem-subsumes"),
        ("ConceptMap", "translate", "ConceptMap-translate"),
    } <= claimed
    assert ("CodeSystem", "validate-code", "ValueSet-validate-code") not in claimed


# $expand


def test_expand_by_url(fhir: httpx.Client) -> None:
    answer = fhir.get("ValueSet/$expand", params={"url": STATUS})
    official = package()["CodeSystem-observation-status"]["concept"]
    # `corrected` lies below `amended` in the code system
    flat = [c["code"] for each in official for c in (each, *each.get("concept", ()))]
    assert codes(answer) == flat
    body = answer.json()
    assert body["resourceType"] == "ValueSet"
    assert body["expansion"]["total"] == len(flat)
    assert body["expansion"]["identifier"].startswith("urn:uuid:")


def test_expand_the_same_by_get_and_post(fhir: httpx.Client) -> None:
    asked = {"url": STATUS, "filter": "am", "count": 1}
    posted = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "url", "valueUri": STATUS},
            {"name": "filter", "valueString": "am"},
            {"name": "count", "valueInteger": 1},
        ],
    }
    for answer in (
        fhir.get("ValueSet/$expand", params=asked),
        fhir.post("ValueSet/$expand", json=posted),
        fhir.get("ValueSet/$expand", params={"url": f"{STATUS}|4.0.1", "filter": "am", "count": 1}),
    ):
        assert codes(answer) == ["amended"]


def test_expand_what_is_handed_in(fhir: httpx.Client, name: str) -> None:
    handed = value_set(name, {"system": TECHNIQUE, "concept": [{"code": "head-lift"}]})
    inside = {"resourceType": "Parameters", "parameter": [{"name": "valueSet", "resource": handed}]}
    for body in (handed, inside):
        answer = fhir.post("ValueSet/$expand", json=body)
        assert codes(answer) == ["head-lift"]
        entry = answer.json()["expansion"]["contains"][0]
        assert entry["display"] == "Head-lift exercise"
    assert fhir.get(f"ValueSet/{name}").status_code == 404


def test_expand_a_stored_value_set_over_a_stored_code_system(fhir: httpx.Client, name: str) -> None:
    put(fhir, system(name, "one", "two"))
    put(fhir, value_set(name, {"system": f"https://made.example/{name}"}))
    for address, params in (
        (f"ValueSet/{name}/$expand", {}),
        ("ValueSet/$expand", {"url": f"https://made.example/sets/{name}"}),
    ):
        assert codes(fhir.get(address, params=params)) == ["one", "two"]

    put(fhir, system(name, "one", "two", "three"))
    assert codes(fhir.get(f"ValueSet/{name}/$expand")) == ["one", "two", "three"]
    fhir.delete(f"CodeSystem/{name}").raise_for_status()
    assert refused(fhir.get(f"ValueSet/{name}/$expand"), 422) == "not-found"
    fhir.delete(f"ValueSet/{name}").raise_for_status()
    assert refused(fhir.get(f"ValueSet/{name}/$expand"), 410) == "deleted"


def test_the_newest_active_version_is_meant(fhir: httpx.Client, name: str) -> None:
    url = f"https://made.example/{name}"
    put(fhir, system(f"{name}-a", "old", url=url, version="1.9"))
    put(fhir, system(f"{name}-b", "new", url=url, version="1.10"))
    put(fhir, system(f"{name}-c", "draft", url=url, version="2.0", status="draft"))

    def known(code: str, **more: str) -> bool:
        asked = {"url": url, "code": code, **more}
        found: bool = values(fhir.get("CodeSystem/$validate-code", params=asked))["result"]
        return found

    assert known("new")
    assert not known("old")
    assert not known("draft")
    assert known("old", version="1.9")
    assert known("draft", version="2.0")
    missing = {"url": url, "code": "new", "version": "3"}
    assert refused(fhir.get("CodeSystem/$validate-code", params=missing), 404) == "not-found"


def test_a_stored_version_comes_before_an_older_shipped_one(fhir: httpx.Client, name: str) -> None:
    url = "https://hyoid.example/fhir/ValueSet/phase"
    newer = value_set(name, {"system": TECHNIQUE}, url=url, version="999.0")
    put(fhir, newer | {"compose": {"include": [{"system": "urn:x", "concept": [{"code": "y"}]}]}})
    assert codes(fhir.get("ValueSet/$expand", params={"url": url})) == ["y"]
    shipped = codes(fhir.get("ValueSet/$expand", params={"url": f"{url}|0.1.0"}))
    assert "baseline" in shipped
    fhir.delete(f"ValueSet/{name}").raise_for_status()
    assert codes(fhir.get("ValueSet/$expand", params={"url": url})) == shipped


def test_shipped_resources_answer_under_their_id(fhir: httpx.Client) -> None:
    assert "head-lift" in codes(fhir.get("ValueSet/technique/$expand"))
    assert refused(fhir.get("ValueSet/nothing-like-it/$expand"), 404) == "not-found"


@pytest.mark.parametrize(
    ("params", "status", "code"),
    [
        ({}, 400, "required"),
        ({"url": "http://nowhere.example/x"}, 404, "not-found"),
        ({"url": f"{STATUS}|9"}, 404, "not-found"),
        ({"url": "http://hl7.org/fhir/ValueSet/mimetypes"}, 422, "not-found"),
        ({"url": "http://hl7.org/fhir/ValueSet/service-type"}, 422, "not-supported"),
        ({"url": STATUS, "count": "-1"}, 400, "value"),
        ({"url": STATUS, "count": "many"}, 400, "value"),
        ({"url": STATUS, "activeOnly": "yes"}, 400, "value"),
        ({"url": STATUS, "colour": "blue"}, 400, "not-supported"),
        ({"url": STATUS, "valueSet": "x"}, 400, "value"),
        (
            {"context": "http://hl7.org/fhir/StructureDefinition/Observation#x"},
            400,
            "not-supported",
        ),
        ({"url": STATUS, "date": "1999"}, 400, "not-supported"),
        ({"url": STATUS, "date": "soon"}, 400, "value"),
    ],
)
def test_expand_refuses_what_it_cannot_do(
    fhir: httpx.Client, params: dict[str, str], status: int, code: str
) -> None:
    assert refused(fhir.get("ValueSet/$expand", params=params), status) == code


def test_repeated_and_unsuitable_parameters_are_refused(fhir: httpx.Client) -> None:
    twice = fhir.get("ValueSet/$expand", params=[("url", STATUS), ("url", STATUS)])
    assert refused(twice, 400) == "value"
    for entry in (
        {"name": "count", "valueString": "3"},
        {"name": "count", "valueInteger": -3},
        {"name": "valueSet", "valueString": "x"},
        {"name": "valueSet", "resource": {"resourceType": "Patient"}},
    ):
        body = {
            "resourceType": "Parameters",
            "parameter": [{"name": "url", "valueUri": STATUS}, entry],
        }
        assert refused(fhir.post("ValueSet/$expand", json=body), 400) == "value"
    patient = fhir.post("ValueSet/$expand", json={"resourceType": "Patient"})
    assert refused(patient, 400) == "invalid"


def test_a_value_set_without_content_is_refused(fhir: httpx.Client, name: str) -> None:
    empty = value_set(name)
    del empty["compose"]
    put(fhir, empty)
    assert refused(fhir.get(f"ValueSet/{name}/$expand"), 400) == "required"


def test_hostile_patterns_are_answered(fhir: httpx.Client, name: str) -> None:
    part = {
        "system": TECHNIQUE,
        "filter": [{"property": "code", "op": "regex", "value": "(([a-z]|-)*)*!"}],
    }
    assert codes(fhir.post("ValueSet/$expand", json=value_set(name, part))) == []


# $validate-code


def test_validate_code_in_a_value_set(fhir: httpx.Client) -> None:
    asked = {"url": "https://hyoid.example/fhir/ValueSet/technique", "system": TECHNIQUE}
    good = values(fhir.get("ValueSet/$validate-code", params=asked | {"code": "head-lift"}))
    assert good == {"result": True, "display": "Head-lift exercise"}
    bad = values(fhir.get("ValueSet/$validate-code", params=asked | {"code": "handstand"}))
    assert bad["result"] is False
    assert bad["message"]
    wrong = {"code": "head-lift", "display": "Test"}
    told = values(fhir.get("ValueSet/$validate-code", params=asked | wrong))
    assert (told["result"], told["display"]) == (False, "Head-lift exercise")


def test_validate_a_concept_with_several_codings(fhir: httpx.Client) -> None:
    concept = {
        "coding": [{"system": "urn:local", "code": "x"}, {"system": TECHNIQUE, "code": "head-lift"}]
    }
    body = {
        "resourceType": "Parameters",
        "parameter": [{"name": "codeableConcept", "valueCodeableConcept": concept}],
    }
    assert values(fhir.post("ValueSet/technique/$validate-code", json=body))["result"] is True


@pytest.mark.parametrize(
    ("params", "status", "code"),
    [
        ({"url": STATUS}, 400, "required"),
        ({"url": STATUS, "code": "final"}, 400, "required"),
        ({"url": "http://nowhere.example", "code": "x", "system": "urn:y"}, 404, "not-found"),
        ({"code": "x", "system": "urn:y"}, 400, "required"),
    ],
)
def test_validate_code_needs_a_code_and_a_value_set(
    fhir: httpx.Client, params: dict[str, str], status: int, code: str
) -> None:
    assert refused(fhir.get("ValueSet/$validate-code", params=params), status) == code


def test_validate_code_in_a_code_system(fhir: httpx.Client, name: str) -> None:
    asked = {"url": TECHNIQUE, "code": "head-lift"}
    assert values(fhir.get("CodeSystem/$validate-code", params=asked))["result"] is True
    handed = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "codeSystem", "resource": system(name, "a")},
            {"name": "code", "valueCode": "b"},
        ],
    }
    assert values(fhir.post("CodeSystem/$validate-code", json=handed))["result"] is False
    put(fhir, system(name, "a"))
    answer = fhir.get(f"CodeSystem/{name}/$validate-code", params={"code": "a"})
    assert values(answer)["result"] is True


def test_a_system_held_in_part_gives_no_false_no(fhir: httpx.Client) -> None:
    snomed = {"url": "http://snomed.info/sct"}
    tongue = values(fhir.get("CodeSystem/$validate-code", params=snomed | {"code": "21974007"}))
    assert tongue == {"result": True, "display": "Tongue structure (body structure)"}
    other = fhir.get("CodeSystem/$validate-code", params=snomed | {"code": "138875005"})
    assert refused(other, 422) == "not-supported"


# $lookup, $subsumes


def test_lookup(fhir: httpx.Client) -> None:
    asked = {"system": TECHNIQUE, "code": "head-lift"}
    found = values(fhir.get("CodeSystem/$lookup", params=asked))
    assert found["name"] == "Technique"
    assert found["display"] == "Head-lift exercise"
    coding = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "coding", "valueCoding": asked},
            {"name": "property", "valueCode": "target"},
        ],
    }
    answer = fhir.post("CodeSystem/$lookup", json=coding).json()
    told = [p["part"] for p in answer["parameter"] if p["name"] == "property"]
    assert [part[0]["valueCode"] for part in told] == ["target"]


@pytest.mark.parametrize(
    ("params", "status", "code"),
    [
        ({"system": TECHNIQUE, "code": "handstand"}, 404, "not-found"),
        ({"system": "http://nowhere.example", "code": "x"}, 404, "not-found"),
        ({"system": TECHNIQUE, "code": "head-lift", "version": "9"}, 404, "not-found"),
        ({"code": "head-lift"}, 400, "required"),
        ({"system": TECHNIQUE}, 400, "required"),
    ],
)
def test_lookup_refuses(fhir: httpx.Client, params: dict[str, str], status: int, code: str) -> None:
    assert refused(fhir.get("CodeSystem/$lookup", params=params), status) == code


def test_lookup_is_for_the_type_only(fhir: httpx.Client) -> None:
    assert refused(fhir.get("CodeSystem/technique/$lookup"), 404) == "not-supported"


def test_subsumes(fhir: httpx.Client) -> None:
    role = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"

    def outcome(a: str, b: str) -> Any:
        asked = {"system": role, "codeA": a, "codeB": b}
        return values(fhir.get("CodeSystem/$subsumes", params=asked))["outcome"]

    assert outcome("FAMMEMB", "SON") == "subsumes"
    assert outcome("SON", "FAMMEMB") == "subsumed-by"
    assert outcome("SON", "SON") == "equivalent"
    assert outcome("SON", "DAU") == "not-subsumed"
    coded = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "codingA", "valueCoding": {"system": role, "code": "FAMMEMB"}},
            {"name": "codingB", "valueCoding": {"system": role, "code": "SON"}},
        ],
    }
    assert values(fhir.post("CodeSystem/$subsumes", json=coded))["outcome"] == "subsumes"
    without = fhir.get("CodeSystem/$subsumes", params={"codeA": "SON", "codeB": "DAU"})
    assert refused(without, 400) == "required"
    parts = {"codeA": "tongue", "codeB": "tongue-tip"}
    assert refused(fhir.get("CodeSystem/oral-region/$subsumes", params=parts), 422)


# $translate


def test_translate_a_clinics_code_into_ours_and_back(fhir: httpx.Client) -> None:
    answer = fhir.get("ConceptMap/$translate", params={"system": CLINIC, "code": "TTS-F"})
    assert values(answer)["result"] is True
    part = {p["name"]: p for p in answer.json()["parameter"][1]["part"]}
    assert part["equivalence"]["valueCode"] == "equivalent"
    coding = part["concept"]["valueCoding"]
    assert (coding["system"], coding["code"]) == (TECHNIQUE, "faucial-cold-strokes")
    assert coding["display"] == "Chilled rapid strokes on the faucial arches"
    asked = {"system": TECHNIQUE, "code": "faucial-cold-strokes", "targetsystem": CLINIC}
    back = fhir.get("ConceptMap/$translate", params={**asked, "reverse": "true"})
    part = {p["name"]: p for p in back.json()["parameter"][-1]["part"]}
    assert part["concept"]["valueCoding"]["code"] == "TTS-F"


def test_translate_with_a_stored_map(fhir: httpx.Client, name: str) -> None:
    source, target = f"https://made.example/{name}", f"https://made.example/{name}-other"
    stored = {
        "resourceType": "ConceptMap",
        "id": name,
        "url": f"https://made.example/maps/{name}",
        "version": "1",
        "status": "active",
        "group": [
            {
                "source": source,
                "target": target,
                "element": [{"code": "a", "target": [{"code": "b", "equivalence": "equal"}]}],
            }
        ],
    }
    asked = {"system": source, "code": "a"}
    assert values(fhir.get("ConceptMap/$translate", params=asked))["result"] is False
    put(fhir, stored)
    for address, params in (
        ("ConceptMap/$translate", asked),
        ("ConceptMap/$translate", asked | {"url": stored["url"]}),
        ("ConceptMap/$translate", asked | {"targetsystem": target}),
        (f"ConceptMap/{name}/$translate", asked),
        ("ConceptMap/$translate", {"system": target, "code": "b", "reverse": "true"}),
    ):
        answer = fhir.get(address, params=params)
        assert values(answer)["result"] is True, params
    handed = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "conceptMap", "resource": stored},
            {"name": "coding", "valueCoding": {"system": source, "code": "a"}},
        ],
    }
    assert values(fhir.post("ConceptMap/$translate", json=handed))["result"] is True


@pytest.mark.parametrize(
    ("params", "status", "code"),
    [
        ({"system": "urn:x"}, 400, "required"),
        ({"code": "x"}, 400, "required"),
        ({"system": "urn:x", "code": "x", "url": "http://nowhere.example"}, 404, "not-found"),
        ({"system": "urn:x", "code": "x", "reverse": "back"}, 400, "value"),
    ],
)
def test_translate_refuses(
    fhir: httpx.Client, params: dict[str, str], status: int, code: str
) -> None:
    assert refused(fhir.get("ConceptMap/$translate", params=params), status) == code


# In Bundles


def test_operations_in_a_batch(fhir: httpx.Client) -> None:
    entries = [
        f"ValueSet/$expand?url={STATUS}&count=1",
        "CodeSystem/$lookup?system=urn:x&code=y",
    ]
    batch = {
        "resourceType": "Bundle",
        "type": "batch",
        "entry": [{"request": {"method": "GET", "url": url}} for url in entries],
    }
    answers = fhir.post("", json=batch).json()["entry"]
    assert answers[0]["resource"]["resourceType"] == "ValueSet"
    assert answers[1]["response"]["status"].startswith("404")
