"""$apply over HTTP, on both engines.

Sources: OperationDefinition PlanDefinition-apply and ActivityDefinition-apply of
hl7.fhir.r4.core 4.0.1, statement by statement.
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.factories.clinical import encounter, patient
from tests.official import package

Resource = dict[str, Any]

OWN = "https://hyoid.example/fhir/CodeSystem/"
PLAN = "PlanDefinition/delayed-swallow-trigger"
TECHNIQUE = "ActivityDefinition/faucial-cold-strokes"


def put(fhir: httpx.Client, resource: Resource) -> Resource:
    address = f"{resource['resourceType']}/{resource['id']}"
    found: Resource = fhir.put(address, json=resource).raise_for_status().json()
    return found


@pytest.fixture
def client(fhir: httpx.Client, name: str) -> str:
    """A client with a therapist, a clinic and a session."""
    put(fhir, patient(name))
    put(fhir, {"resourceType": "Practitioner", "id": name, "name": [{"family": "Okoro"}]})
    put(fhir, {"resourceType": "Organization", "id": name, "name": "Invented clinic"})
    put(fhir, encounter(f"Patient/{name}", name) | {"id": name})
    return name


def finding(name: str, code: str, answer: Resource, when: str) -> Resource:
    return {
        "resourceType": "Observation",
        "id": f"{name}-{code}-{when}",
        "status": "final",
        "code": {"coding": [{"system": f"{OWN}oral-finding", "code": code}]},
        "subject": {"reference": f"Patient/{name}"},
        "effectiveDateTime": when,
        "valueCodeableConcept": {"coding": [answer]},
    }


def parameters(**given: Any) -> Resource:
    def value(content: Any) -> Resource:
        if isinstance(content, bool):
            return {"valueBoolean": content}
        if isinstance(content, str):
            return {"valueString": content}
        key = "resource" if "resourceType" in content else "valueCodeableConcept"
        return {key: content}

    listed = [{"name": name, **value(content)} for name, content in given.items()]
    return {"resourceType": "Parameters", "parameter": listed}


def orders(care_plan: Resource) -> dict[str, Resource]:
    return {
        each["code"]["coding"][0]["code"]: each
        for each in care_plan["contained"]
        if each["resourceType"] == "ServiceRequest"
    }


def sides(order: Resource) -> list[Resource]:
    return [
        each["valueCodeableConcept"]
        for each in order["extension"]
        if each["url"].endswith("/weaker-side")
    ]


def history(fhir: httpx.Client, name: str) -> int:
    found: int = fhir.get(f"Patient/{name}/$everything").json()["total"]
    return found


def problems(outcome: Resource) -> list[str]:
    return [each["diagnostics"] for each in outcome["issue"] if each["severity"] == "error"]


def test_definitions_are_served_and_found(fhir: httpx.Client) -> None:
    assert fhir.get(TECHNIQUE).json()["resourceType"] == "ActivityDefinition"
    url = "https://hyoid.example/fhir/PlanDefinition/tongue-deviation"
    found = fhir.get("PlanDefinition", params={"url": url}).json()
    assert [each["resource"]["id"] for each in found["entry"]] == ["tongue-deviation"]
    counted = fhir.get("ActivityDefinition?_summary=count&publisher=Hyoid").json()
    assert counted["total"] >= 24
    topic = "http://terminology.hl7.org/CodeSystem/definition-topic|treatment"
    assert fhir.get("ActivityDefinition", params={"topic": topic}).json()["entry"]


def test_operation_is_announced_for_both_types(fhir: httpx.Client) -> None:
    statement = fhir.get("metadata").json()
    for kind in ("PlanDefinition", "ActivityDefinition"):
        (resource,) = (r for r in statement["rest"][0]["resource"] if r["type"] == kind)
        offered = {each["name"]: each["definition"] for each in resource["operation"]}
        assert offered["apply"] == f"http://hl7.org/fhir/OperationDefinition/{kind}-apply"


def test_result_is_a_care_plan_with_one_activity_and_nothing_is_stored(
    fhir: httpx.Client, client: str
) -> None:
    before = history(fhir, client)
    answer = fhir.get(f"{PLAN}/$apply", params={"subject": f"Patient/{client}"})
    assert answer.status_code == 200
    made = answer.json()
    assert made["resourceType"] == "CarePlan"
    assert (made["status"], made["intent"]) == ("draft", "proposal")
    assert len(made["activity"]) == 1
    kinds = {f"#{each['id']}": each["resourceType"] for each in made["contained"]}
    assert kinds[made["activity"][0]["reference"]["reference"]] == "RequestGroup"
    assert list(orders(made)) == [
        "faucial-cold-strokes",
        "tongue-base-strokes",
        "effortful-swallow",
        "swallow-trials",
    ]
    assert len(made["goal"]) == 2
    assert problems(fhir.post("CarePlan/$validate", json=made).json()) == []
    assert history(fhir, client) == before


def test_care_plan_that_comes_out_can_be_stored(fhir: httpx.Client, client: str) -> None:
    made = fhir.get(f"{PLAN}/$apply", params={"subject": f"Patient/{client}"}).json()
    kept = fhir.post("CarePlan", json=made)
    assert kept.status_code == 201
    assert kept.json()["contained"] == made["contained"]


def test_transaction_can_be_posted_as_it_is(fhir: httpx.Client, client: str) -> None:
    query = {"subject": f"Patient/{client}", "form": "transaction", "practitioner": client}
    bundle = fhir.get(f"{PLAN}/$apply", params=query).json()
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
    assert problems(fhir.post("", json=bundle).raise_for_status().json() | {"issue": []}) == []
    (plan,) = fhir.get("CarePlan", params={"patient": client}).json()["entry"]
    plan = plan["resource"]
    assert plan["author"] == {"reference": f"Practitioner/{client}"}
    for activity in plan["activity"]:
        order = fhir.get(activity["reference"]["reference"]).json()
        assert order["resourceType"] == "ServiceRequest"
        assert order["basedOn"] == [{"reference": f"CarePlan/{plan['id']}"}]
        assert order["subject"] == {"reference": f"Patient/{client}"}
    for goal in plan["goal"]:
        assert fhir.get(goal["reference"]).json()["target"][0]["dueDate"]


def test_every_parameter_of_the_official_definition_is_taken(
    fhir: httpx.Client, client: str
) -> None:
    """Source: OperationDefinition-{PlanDefinition,ActivityDefinition}-apply, parameter."""
    for kind, address in (("PlanDefinition", PLAN), ("ActivityDefinition", TECHNIQUE)):
        definition = package()[f"OperationDefinition-{kind}-apply"]
        names = {each["name"]: each["type"] for each in definition["parameter"]}
        given: dict[str, Any] = {
            name: {"text": "any"} for name, type_ in names.items() if type_ == "CodeableConcept"
        }
        given |= {
            "subject": f"Patient/{client}",
            "encounter": f"Encounter/{client}",
            "practitioner": f"Practitioner/{client}",
            "organization": f"Organization/{client}",
        }
        own = f"{kind[0].lower()}{kind[1:]}"
        assert set(names) - {"return", own} == set(given)
        at_instance = fhir.post(f"{address}/$apply", json=parameters(**given))
        assert at_instance.status_code == 200, at_instance.text
        held = fhir.get(address).json()
        at_type = fhir.post(f"{kind}/$apply", json=parameters(**given, **{own: held}))
        assert at_type.status_code == 200, at_type.text
        first, second = at_instance.json(), at_type.json()
        assert first == second
        assert first["encounter"] == {"reference": f"Encounter/{client}"}


def test_definition_is_needed_at_the_type_and_forbidden_at_the_instance(
    fhir: httpx.Client, client: str
) -> None:
    """Source: OperationDefinition-PlanDefinition-apply, parameter planDefinition."""
    subject = f"Patient/{client}"
    assert fhir.post("PlanDefinition/$apply", json=parameters(subject=subject)).status_code == 400
    held = fhir.get(PLAN).json()
    both = parameters(subject=subject, planDefinition=held)
    assert fhir.post(f"{PLAN}/$apply", json=both).status_code == 400
    bare = fhir.post("PlanDefinition/$apply", params={"subject": subject}, json=held)
    assert bare.status_code == 200
    wrong = parameters(subject=subject, planDefinition=fhir.get(TECHNIQUE).json())
    assert fhir.post("PlanDefinition/$apply", json=wrong).status_code == 400


def test_side_and_tone_come_from_parameters_or_observations(
    fhir: httpx.Client, client: str
) -> None:
    address = "PlanDefinition/one-sided-lip-weakness/$apply"
    subject = {"subject": f"Patient/{client}"}
    unknown = fhir.get(address, params=subject).json()
    assert "weak-side-lip-strokes" not in orders(unknown)
    told = " ".join(note["text"] for note in unknown["note"])
    assert "Left out: Circles from the stronger to the weaker side" in told
    assert "not known here" in told

    left = {"system": "http://snomed.info/sct", "code": "7771000"}
    put(fhir, finding(client, "weaker-side", left, "2026-11-02"))
    put(fhir, finding(client, "tone", {"system": f"{OWN}tone", "code": "low"}, "2026-11-02"))
    observed = fhir.get(address, params=subject).json()
    assert {"weak-side-lip-strokes", "perioral-taps"} <= set(orders(observed))
    assert f"left (Observation/{client}-weaker-side-2026-11-02)" in str(observed["note"])
    (side,) = sides(orders(observed)["weak-side-lip-strokes"])
    assert side["coding"][0]["code"] == "7771000"
    assert sides(orders(observed)["lip-closure-resistance"]) == []

    given = fhir.get(address, params={**subject, "weakerSide": "right", "tone": "high"}).json()
    assert "perioral-pressure-stretch" in orders(given)
    assert "perioral-taps" not in orders(given)
    assert "right (as given)" in str(given["note"])


def test_plan_addresses_the_problems_it_is_for(fhir: httpx.Client, client: str) -> None:
    icd = "http://hl7.org/fhir/sid/icd-10-cm"
    for key, code in (("swallow", "R13.12"), ("hip", "M16.11")):
        problem = {"resourceType": "Condition", "id": f"{client}-{key}"}
        problem |= {"subject": {"reference": f"Patient/{client}"}}
        put(fhir, problem | {"code": {"coding": [{"system": icd, "code": code}]}})
    made = fhir.get(f"{PLAN}/$apply", params={"subject": client}).json()
    assert made["addresses"] == [{"reference": f"Condition/{client}-swallow"}]


def test_technique_alone_becomes_an_order(fhir: httpx.Client, client: str) -> None:
    query = {"subject": f"Patient/{client}", "weakerSide": "left"}
    made = fhir.get(f"{TECHNIQUE}/$apply", params=query).json()
    assert made["resourceType"] == "ServiceRequest"
    assert (made["status"], made["intent"]) == ("draft", "proposal")
    assert made["instantiatesCanonical"] == [
        "https://hyoid.example/fhir/ActivityDefinition/faucial-cold-strokes|0.1.0"
    ]
    assert "no warning is no all-clear" in made["note"][-1]["text"]
    assert problems(fhir.post("ServiceRequest/$validate", json=made).json()) == []


def test_template_and_technique_of_a_clinic_work_at_once(fhir: httpx.Client, client: str) -> None:
    technique = {
        "resourceType": "ActivityDefinition",
        "id": f"hum-{client}",
        "url": f"https://clinic.example/fhir/ActivityDefinition/hum-{client}",
        "status": "active",
        "title": "Humming",
        "kind": "ServiceRequest",
        "code": {"coding": [{"system": "https://clinic.example/codes", "code": "hum"}]},
        "extension": [
            {
                "url": "https://hyoid.example/fhir/StructureDefinition/technique-caution",
                "valueCodeableConcept": {
                    "coding": [{"system": f"{OWN}caution", "code": "strong-gag"}]
                },
            }
        ],
    }
    template = {
        "resourceType": "PlanDefinition",
        "id": f"hum-{client}",
        "url": f"https://clinic.example/fhir/PlanDefinition/hum-{client}",
        "status": "draft",
        "title": "Humming",
        "action": [{"title": "Hum", "definitionCanonical": technique["url"]}],
    }
    flag = {
        "resourceType": "Flag",
        "id": client,
        "status": "active",
        "code": {"coding": [{"system": f"{OWN}caution", "code": "strong-gag"}]},
        "subject": {"reference": f"Patient/{client}"},
    }
    for resource in (technique, template, flag):
        put(fhir, resource)
    query = {"subject": client, "form": "transaction", "detectedIssues": "true"}
    bundle = fhir.get(f"PlanDefinition/hum-{client}/$apply", params=query).json()
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert kinds == ["CarePlan", "ServiceRequest", "DetectedIssue"]
    issue = bundle["entry"][-1]["resource"]
    assert issue["status"] == "preliminary"
    assert issue["evidence"] == [{"detail": [{"reference": f"Flag/{client}"}]}]
    assert issue["implicated"] == [{"reference": bundle["entry"][0]["fullUrl"]}]
    assert fhir.post("", json=bundle).status_code == 200
    # The order as stored is known by the definition that it names.
    order = fhir.get("ServiceRequest", params={"patient": client}).json()["entry"][0]["resource"]
    told = fhir.get(f"ServiceRequest/{order['id']}/$validate").json()
    assert [i["code"] for i in told["issue"] if "Strong gag" in i["diagnostics"]] == [
        "business-rule"
    ]


def test_issues_are_offered_and_not_forced(fhir: httpx.Client, client: str) -> None:
    flag = {
        "resourceType": "Flag",
        "id": client,
        "status": "active",
        "code": {"coding": [{"system": f"{OWN}caution", "code": "cold-sensitivity"}]},
        "subject": {"reference": f"Patient/{client}"},
    }
    put(fhir, flag)
    query = {"subject": f"Patient/{client}"}
    plain = fhir.get(f"{PLAN}/$apply", params=query).json()
    assert "DetectedIssue" not in {each["resourceType"] for each in plain["contained"]}
    assert "Warning: Cold sensitivity" in str(plain["note"])
    with_issue = fhir.get(f"{PLAN}/$apply", params=query | {"detectedIssues": "true"}).json()
    assert with_issue["supportingInfo"] == [{"reference": "#issue-1"}]
    assert problems(fhir.post("CarePlan/$validate", json=with_issue).json()) == []


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("", 400),
        ("subject=Patient/nobody", 400),
        ("subject=Patient/{0}&subject=Patient/{0}", 400),
        ("subject=Group/{0}", 400),
        ("subject=https://elsewhere.example/fhir/Patient/{0}", 400),
        ("subject={0}&practitioner=Practitioner/nobody", 400),
        ("subject={0}&practitioner=Patient/{0}", 400),
        ("subject={0}&encounter=Encounter/nobody", 400),
        ("subject={0}&weakerSide=upper", 400),
        ("subject={0}&tone=", 400),
        ("subject={0}&form=xml", 400),
        ("subject={0}&detectedIssues=maybe", 400),
        ("subject={0}&userType=physician", 400),
        ("subject={0}&colour=blue", 400),
        ("subject={0}&planDefinition=x", 400),
        ("subject=Patient/" + "x" * 500, 400),
    ],
)
def test_what_is_not_understood_is_refused(
    fhir: httpx.Client, client: str, query: str, status: int
) -> None:
    answer = fhir.get(f"{PLAN}/$apply?{query.format(client)}")
    assert answer.status_code == status, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_encounter_of_another_client_is_refused(fhir: httpx.Client, client: str) -> None:
    put(fhir, patient(f"other-{client}"))
    query = {"subject": f"Patient/other-{client}", "encounter": f"Encounter/{client}"}
    assert fhir.get(f"{PLAN}/$apply", params=query).status_code == 400


def test_definition_that_is_not_there_or_leads_nowhere_is_refused(
    fhir: httpx.Client, client: str
) -> None:
    subject = {"subject": f"Patient/{client}"}
    assert fhir.get("PlanDefinition/nothing/$apply", params=subject).status_code == 404
    lost = {
        "resourceType": "PlanDefinition",
        "status": "draft",
        "action": [{"definitionCanonical": "https://clinic.example/none"}],
    }
    answer = fhir.post("PlanDefinition/$apply", params=subject, json=lost)
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == [
        "PlanDefinition.action[0].definitionCanonical"
    ]


def test_definition_that_makes_what_is_not_valid_is_refused(
    fhir: httpx.Client, client: str
) -> None:
    expression = {"language": "text/fhirpath", "expression": "'bogus'"}
    broken = {
        "resourceType": "ActivityDefinition",
        "status": "draft",
        "code": {"text": "x"},
        "dynamicValue": [{"path": "status", "expression": expression}],
    }
    address = f"ActivityDefinition/$apply?subject=Patient/{client}"
    answer = fhir.post(address, json=broken)
    assert answer.status_code == 422
    assert "bogus" in answer.json()["issue"][0]["diagnostics"]


def test_contained_definitions_are_found(fhir: httpx.Client, client: str) -> None:
    holder = {
        "resourceType": "PlanDefinition",
        "status": "draft",
        "contained": [
            {
                "resourceType": "ActivityDefinition",
                "id": "inner",
                "status": "draft",
                "code": {"text": "Inside"},
            }
        ],
        "action": [{"title": "Inside", "definitionCanonical": "#inner"}],
    }
    made = fhir.post(f"PlanDefinition/$apply?subject=Patient/{client}", json=holder)
    assert made.status_code == 200, made.text
    assert [each["resourceType"] for each in made.json()["contained"]] == [
        "RequestGroup",
        "ServiceRequest",
    ]
