"""Patient/$summary over HTTP, on both engines.

Outside sources: invariants of Bundle, Composition and Narrative in HL7's R4 package, evaluated by
fhirpathpy; ips-comp-1, bdl-ips-1 and the section codes of the International Patient Summary 2.0
(Composition-uv-ips, Bundle-uv-ips), written here by hand from the guide.
"""

from __future__ import annotations

from typing import Any

import fhirpathpy
import httpx
import pytest
from fhirpathpy.models import models

from service.caller import ANONYMOUS, Caller
from service.errors import NotFound
from service.handover.summary import summary
from service.standard.codec import decode_resource
from service.standard.validation import validate
from service.store.store import Store
from tests.factories.care import HOSTILE, case, neighbour
from tests.factories.clinical import observation, patient
from tests.rest.documents import assert_rules_of_documents, literal
from tests.rest.putting import put_all

Resource = dict[str, Any]
REQUIRED = {"11450-4", "48765-2", "10160-0"}
OPTIONAL = {"30954-2", "47519-4", "104605-1", "47420-5", "11348-0", "18776-5", "29762-2", "8716-3"}
IPS_COMP_1 = (
    "section.where(code.coding.where(system = 'http://loinc.org' and"
    " (code = '11450-4' or code = '48765-2' or code = '10160-0')).exists())"
    ".all(entry.reference.exists() or emptyReason.exists())"
)
BDL_IPS_1 = "entry.resource.ofType(Composition).count() = 1"
BASE = "https://clinic.example/fhir"


def _code(section: Resource) -> str:
    return str(section["code"]["coding"][0]["code"])


def _sections(document: Resource) -> dict[str, Resource]:
    return {_code(section): section for section in document["entry"][0]["resource"]["section"]}


def _holds(expression: str, node: Resource) -> bool:
    return bool(fhirpathpy.evaluate(node, expression, model=models["r4"]) == [True])


@pytest.fixture
def whole(fhir: httpx.Client, name: str) -> str:
    put_all(fhir, list(case(name)))
    put_all(fhir, list(neighbour(name)))
    return name


@pytest.fixture
def document(fhir: httpx.Client, whole: str) -> Resource:
    answer = fhir.get(f"Patient/c-{whole}/$summary")
    assert answer.status_code == 200, answer.text[:2000]
    found: Resource = answer.json()
    return found


def test_summary_keeps_the_rules_of_documents(document: Resource) -> None:
    assert_rules_of_documents(document)
    assert [issue for issue in validate(document) if issue.severity == "error"] == []


def test_summary_keeps_the_rules_of_the_guide(document: Resource) -> None:
    composition = document["entry"][0]["resource"]
    assert composition["type"]["coding"][0] == {"system": "http://loinc.org", "code": "60591-5"}
    assert _holds(IPS_COMP_1, composition)
    assert _holds(BDL_IPS_1, document)
    found = _sections(document)
    assert set(found) >= REQUIRED
    assert set(found) <= REQUIRED | OPTIONAL
    for section in found.values():
        assert section["title"]
        assert section["code"]["text"]
        assert section["text"]["status"] == "generated"
        assert "section" not in section
    assert all("fullUrl" in entry for entry in document["entry"])


def test_the_rules_of_the_guide_can_fail(document: Resource) -> None:
    composition = document["entry"][0]["resource"]
    bare = [{k: v for k, v in s.items() if k != "emptyReason"} for s in composition["section"]]
    assert not _holds(IPS_COMP_1, composition | {"section": bare})
    assert not _holds(BDL_IPS_1, document | {"entry": document["entry"] * 2})


def test_every_reference_is_inside_and_all_is_reached(
    fhir: httpx.Client, document: Resource
) -> None:
    root = str(fhir.base_url)
    held = {e["fullUrl"].removeprefix(root): e["resource"] for e in document["entry"]}
    assert len(held) == len(document["entry"])
    reached, wanted = set(), {next(iter(held))}
    while wanted:
        reached |= wanted
        wanted = {one for name in wanted for one in literal(held[name])} - reached
    assert reached == set(held)


def test_nothing_of_another_client_and_no_markup_from_outside(document: Resource) -> None:
    text = str(document)
    for secret in ("Secret", "Nils", "other-secret"):
        assert secret not in text
    composition = document["entry"][0]["resource"]
    told = [composition["text"]["div"], *(s["text"]["div"] for s in composition["section"])]
    assert not any(HOSTILE in div for div in told)
    assert "&lt;script&gt;" in told[0]


def test_what_is_recorded_is_told(document: Resource) -> None:
    found = _sections(document)
    for code, words in (
        ("11450-4", "Swallowing difficulty"),
        ("48765-2", "Citrus fruit"),
        ("104605-1", "Coughs on thin fluids"),
        ("18776-5", "Prompt swallow &amp; safe words"),
    ):
        assert words in found[code]["text"]["div"]
        assert found[code]["entry"]
    # One value of many: 3.0 was the last delay that was measured.
    assert "earlier ones are in the record" in found["30954-2"]["text"]["div"]


def test_nothing_recorded_is_no_known_absence(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    document = fhir.get(f"Patient/{name}/$summary").json()
    found = _sections(document)
    assert set(found) == REQUIRED
    for section in found.values():
        assert section["emptyReason"]["coding"][0]["code"] == "unavailable"
        assert "no statement that" in section["text"]["div"]
        assert "entry" not in section
    assert "nilknown" not in str(document)
    assert_rules_of_documents(document)


def test_taken_back_is_left_out_and_past_stands_apart(fhir: httpx.Client, name: str) -> None:
    system = "http://terminology.hl7.org/CodeSystem/"

    def condition(key: str, status: str, sure: str) -> Resource:
        return {
            "resourceType": "Condition",
            "id": f"{name}-{key}",
            "clinicalStatus": {
                "coding": [{"system": f"{system}condition-clinical", "code": status}]
            },
            "verificationStatus": {
                "coding": [{"system": f"{system}condition-ver-status", "code": sure}]
            },
            "code": {"text": key},
            "subject": {"reference": f"Patient/{name}"},
        }

    wrong = observation(f"{name}-wrong", f"Patient/{name}") | {"status": "entered-in-error"}
    over = condition("healed", "resolved", "confirmed")
    put_all(fhir, [patient(name), over, condition("doubted", "active", "refuted"), wrong])
    document = fhir.get(f"Patient/{name}/$summary").json()
    found = _sections(document)
    assert set(found) == REQUIRED | {"11348-0"}
    assert "healed" in found["11348-0"]["text"]["div"]
    assert "doubted" not in str(document)


def test_by_identifier(fhir: httpx.Client, whole: str) -> None:
    identifier = f"https://clinic.example/ids|N-{whole}"
    profile = "http://hl7.org/fhir/uv/ips/StructureDefinition/Bundle-uv-ips|2.0.0"
    answer = fhir.get("Patient/$summary", params={"identifier": identifier, "profile": profile})
    assert answer.status_code == 200
    subject = answer.json()["entry"][0]["resource"]["subject"]
    assert subject == {"reference": f"Patient/c-{whole}"}
    body = {
        "resourceType": "Parameters",
        "parameter": [{"name": "identifier", "valueString": identifier}],
    }
    assert fhir.post("Patient/$summary", json=body).status_code == 200
    put_all(
        fhir,
        [
            patient(f"{whole}-2")
            | {"identifier": [{"system": "https://clinic.example/ids", "value": f"N-{whole}"}]}
        ],
    )
    assert fhir.get("Patient/$summary", params={"identifier": identifier}).status_code == 412


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("Patient/$summary", 400),
        ("Patient/$summary?identifier=nobody%7Cnobody", 404),
        ("Patient/$summary?identifier=a&identifier=b", 400),
        ("Patient/nobody/$summary", 404),
        ("Patient/nobody/$summary?identifier=a", 400),
        ("Patient/nobody/$summary?profile=https://x.example/p", 400),
        ("Observation/nobody/$summary", 404),
        ("$summary", 404),
    ],
)
def test_refusals(fhir: httpx.Client, path: str, status: int) -> None:
    answer = fhir.get(path)
    assert answer.status_code == status, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_same_data_same_summary_but_for_name_and_time(fhir: httpx.Client, whole: str) -> None:
    def asked() -> tuple[str, Resource]:
        found = fhir.get(f"Patient/c-{whole}/$summary").json()
        del found["timestamp"], found["entry"][0]["resource"]["date"]
        return found.pop("identifier")["value"], found

    (first, told), (second, again) = asked(), asked()
    assert told == again
    assert first != second


def test_narrowing_of_the_caller_holds(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        for resource in [*case("p"), *neighbour("p")]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    scopes = frozenset({"system/*.cruds"})
    own = Caller("o", scopes, clients=frozenset({"c-p"}))
    stranger = Caller("s", scopes, clients=frozenset({"c-p-other"}))
    date = "2026-05-04T09:00:00Z"
    with store.reader(snapshot=True) as connection:
        mine = summary(connection, own, "c-p", BASE, date, "1").bundle("urn:x", date)
        everybody = summary(connection, ANONYMOUS, "c-p", BASE, date, "1").bundle("urn:x", date)
        with pytest.raises(NotFound):
            summary(connection, stranger, "c-p", BASE, date, "1")
    assert mine == everybody
    assert decode_resource(mine)["type"] == "document"
