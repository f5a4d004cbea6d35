"""Do client libraries that others wrote get along with the service?

fhirpy (https://github.com/beda-software/fhir-py) and the SMART Python client
(https://github.com/smart-on-fhir/client-py), unchanged, against a live process.
"""

from __future__ import annotations

import uuid

import pytest

from tests.factories.clinical import care_plan, observation

fhirpy = pytest.importorskip("fhirpy")
fhirclient = pytest.importorskip("fhirclient.client")

pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture
def name() -> str:
    return f"lib-{uuid.uuid4().hex[:12]}"


def test_fhirpy_creates_searches_pages_patches_and_deletes(live_service: str, name: str) -> None:
    client = fhirpy.SyncFHIRClient(f"{live_service}/fhir")
    person = client.resource("Patient", name=[{"family": name}])
    person.save()
    person["gender"] = "female"
    person.save()
    assert person["meta"]["versionId"] == "2"
    person.patch(active=True)
    assert client.resources("Patient").search(family=name).first()["active"] is True
    reference = f"Patient/{person.id}"
    for value in range(5):
        client.resource("Observation", **observation(patient=reference, value=value)).save()
    seen = client.resources("Observation").search(patient=person.id)
    assert seen.count() == 5
    paged = seen.sort("-value-quantity").limit(2).fetch_all()
    assert [one["valueQuantity"]["value"] for one in paged] == [4, 3, 2, 1, 0]
    with_client = seen.include("Observation", "patient").fetch_raw()
    assert {entry.resource["resourceType"] for entry in with_client.entry} == {
        "Observation",
        "Patient",
    }
    person.delete()
    with pytest.raises(fhirpy.base.exceptions.ResourceNotFound):
        client.reference("Patient", person.id).to_resource()


def test_fhirpy_gets_or_creates_once(live_service: str, name: str) -> None:
    client = fhirpy.SyncFHIRClient(f"{live_service}/fhir")
    mark = {"system": "https://clinic.example/lib", "value": name}
    found = client.resources("Patient").search(identifier=f"{mark['system']}|{name}")
    made = [found.get_or_create(client.resource("Patient", identifier=[mark]))[1] for _ in range(2)]
    assert made == [True, False]
    assert found.count() == 1


def test_smart_client_reads_the_statement_and_the_plans(live_service: str, name: str) -> None:
    from fhirclient.models.careplan import CarePlan
    from fhirclient.models.patient import Patient

    smart = fhirclient.FHIRClient(settings={"app_id": "test", "api_base": f"{live_service}/fhir"})
    smart.prepare()
    assert smart.server.capabilityStatement.fhirVersion == "4.0.1"
    made = Patient({"name": [{"family": name}]}).create(smart.server)
    person = Patient.read(made["id"], smart.server)
    assert person.name[0].family == name
    for title in ("first", "second"):
        plan = CarePlan(care_plan(patient=f"Patient/{made['id']}", title=title))
        plan.create(smart.server)
    found = CarePlan.where({"patient": made["id"]}).perform_resources(smart.server)
    assert [plan.title for plan in found] == ["first", "second"]
