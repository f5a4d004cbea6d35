"""$export over HTTP, on both engines.

Outside source: Bulk Data Access 3.0.0 (http://hl7.org/fhir/uv/bulkdata/export.html), kick-off,
status, manifest and output files; RFC 9110 for Accept-Encoding.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import pytest

from tests.factories.clinical import observation, patient
from tests.rest.exporting import deleted, export, finished, lines, taken

Json = dict[str, Any]


def put(fhir: httpx.Client, resource: Json) -> Json:
    path = f"{resource['resourceType']}/{resource['id']}"
    answer = fhir.put(path, json=resource)
    assert answer.status_code in (200, 201), answer.text
    stored: Json = answer.json()
    return stored


def group(key: str, *patients: str, **more: Any) -> Json:
    members = [{"entity": {"reference": f"Patient/{each}"}} for each in patients]
    return {
        "resourceType": "Group",
        "id": key,
        "type": "person",
        "actual": True,
        "member": members,
    } | more


def provenance(key: str, target: str) -> Json:
    return {
        "resourceType": "Provenance",
        "id": key,
        "target": [{"reference": target}],
        "recorded": "2026-05-04T09:00:00Z",
        "agent": [{"who": {"display": "the clinic system"}}],
    }


@pytest.fixture
def ward(fhir: httpx.Client, name: str) -> str:
    """Clients `[name]a`, `[name]b`, each with two measures; the name is returned."""
    for key in (f"{name}a", f"{name}b"):
        put(fhir, patient(key))
        for number in (1, 2):
            put(fhir, observation(f"{key}{number}", f"Patient/{key}", value=number))
    return name


@contextmanager
def started(fhir: httpx.Client, *paths: str) -> Iterator[list[httpx.Response]]:
    """Exports that are not polled; forgotten at the end."""
    answers = [fhir.get(path) for path in paths]
    yield answers
    for answer in answers:
        if answer.status_code == 202:
            fhir.delete(answer.headers["Content-Location"])


def issue(answer: httpx.Response) -> Json:
    found: Json = answer.json()["issue"][0]
    return found


def test_all_of_it_as_it_is_stored(fhir: httpx.Client, ward: str) -> None:
    manifest = export(fhir)
    found = taken(fhir, manifest)
    for key in (f"Patient/{ward}a", f"Observation/{ward}b2"):
        assert found[key] == fhir.get(key).json()
    assert any(key.startswith("ValueSet/") for key in found)
    assert manifest["request"].endswith("/fhir/$export")
    assert manifest["requiresAccessToken"] is False
    assert manifest["deleted"] == manifest["error"] == []
    assert manifest["output"]
    assert all(e["url"].startswith(str(fhir.base_url)) for e in manifest["output"])


def test_a_kick_off_is_answered_with_where_to_ask(fhir: httpx.Client) -> None:
    prefer = {"Prefer": "respond-async", "Accept": "application/fhir+json"}
    answer = fhir.get("$export?_type=Group", headers=prefer)
    assert answer.status_code == 202
    status = answer.headers["Content-Location"]
    finished(fhir, answer)
    assert fhir.head(status).status_code == 200
    gone = fhir.delete(status)
    assert gone.status_code == 202
    after = fhir.get(status)
    assert after.status_code == 404
    assert after.json()["resourceType"] == "OperationOutcome"


def test_files_are_gone_with_the_export(fhir: httpx.Client, ward: str) -> None:
    answer = fhir.get("$export?_type=Patient")
    url = finished(fhir, answer)["output"][0]["url"]
    assert fhir.get(url).status_code == 200
    fhir.delete(answer.headers["Content-Location"])
    assert fhir.get(url).status_code == 404


def test_a_file_is_compressed_where_that_is_accepted(fhir: httpx.Client, ward: str) -> None:
    url = export(fhir, _type="Patient")["output"][0]["url"]
    plain = fhir.get(url, headers={"Accept-Encoding": "identity"})
    assert "Content-Encoding" not in plain.headers
    with fhir.stream("GET", url, headers={"Accept-Encoding": "gzip"}) as answer:
        assert answer.headers["Content-Encoding"] == "gzip"
        assert gzip.decompress(b"".join(answer.iter_raw())) == plain.content
    refused = fhir.get(url, headers={"Accept-Encoding": "gzip;q=0, *"})
    assert "Content-Encoding" not in refused.headers
    accept = fhir.get(url, headers={"Accept": "application/fhir+ndjson"})
    assert accept.content == plain.content
    head = fhir.head(url)
    assert head.headers["Content-Type"] == "application/fhir+ndjson"
    assert head.content == b""


def test_what_changed_since_and_what_was_deleted(fhir: httpx.Client, ward: str) -> None:
    first = export(fhir, _type="Patient,Observation")
    put(fhir, observation(f"{ward}a1", f"Patient/{ward}a", value=7))
    put(fhir, observation(f"{ward}c", f"Patient/{ward}a"))
    fhir.delete(f"Observation/{ward}b1")
    fhir.delete(f"Observation/{ward}b2")
    put(fhir, observation(f"{ward}b2", f"Patient/{ward}b"))
    after = export(fhir, _type="Patient,Observation", _since=first["transactionTime"])
    found = [key for key in taken(fhir, after) if ward in key]
    assert sorted(found) == [f"Observation/{ward}{key}" for key in ("a1", "b2", "c")]
    assert [key for key in deleted(fhir, after) if ward in key] == [f"Observation/{ward}b1"]
    last = export(fhir, _type="Patient,Observation", _since=after["transactionTime"])
    assert not [key for key in [*taken(fhir, last), *deleted(fhir, last)] if ward in key]


def test_what_changed_until(fhir: httpx.Client, ward: str) -> None:
    middle = put(fhir, observation(f"{ward}m", f"Patient/{ward}a"))["meta"]["lastUpdated"]
    put(fhir, observation(f"{ward}a1", f"Patient/{ward}a", value=7))
    found = taken(fhir, export(fhir, _type="Observation", _until=middle))
    assert {key for key in found if ward in key} == {
        f"Observation/{ward}{key}" for key in ("a2", "b1", "b2")
    }


def test_types_may_be_repeated_or_divided_by_commas(fhir: httpx.Client, ward: str) -> None:
    together = taken(fhir, export(fhir, _type="Patient,Observation"))
    apart = taken(fhir, export(fhir, _type=["Patient", "Observation"]))
    assert together == apart
    assert {key.partition("/")[0] for key in together} == {"Patient", "Observation"}


def test_a_filter_is_the_search_of_the_service(fhir: httpx.Client, ward: str) -> None:
    query = f"subject=Patient/{ward}a&value-quantity=gt1"
    searched = fhir.get(f"Observation?{query}").json()["entry"]
    manifest = export(
        fhir,
        _type="Patient,Observation",
        _typeFilter=[f"Observation?{query}", f"Observation?_id={ward}b1"],
    )
    found = {key for key in taken(fhir, manifest) if ward in key}
    own = {f"Observation/{entry['resource']['id']}" for entry in searched}
    assert own == {f"Observation/{ward}a2"}
    assert found == own | {f"Observation/{ward}b1", f"Patient/{ward}a", f"Patient/{ward}b"}


def test_elements_are_cut_and_tagged(fhir: httpx.Client, ward: str) -> None:
    manifest = export(fhir, _type="Patient,Observation", _elements="id,Patient.gender")
    found = taken(fhir, manifest)
    one = found[f"Patient/{ward}a"]
    assert set(one) == {"resourceType", "id", "meta", "gender"}
    assert one["meta"]["tag"][0]["code"] == "SUBSETTED"
    other = found[f"Observation/{ward}a1"]
    assert set(other) == {"resourceType", "id", "meta", "status", "code"}


def test_all_clients_and_nothing_else(fhir: httpx.Client, ward: str) -> None:
    put(fhir, {"resourceType": "Practitioner", "id": f"{ward}p"})
    put(fhir, {"resourceType": "Device", "id": f"{ward}d"})
    put(fhir, provenance(f"{ward}x", f"Observation/{ward}a1"))
    put(fhir, provenance(f"{ward}y", f"Practitioner/{ward}p"))
    found = {key for key in taken(fhir, export(fhir, "Patient/$export")) if ward in key}
    own = {f"Patient/{ward}a", f"Patient/{ward}b", f"Practitioner/{ward}p"}
    own |= {f"Observation/{ward}{key}" for key in ("a1", "a2", "b1", "b2")}
    assert found == own | {f"Provenance/{ward}x"}
    answer = fhir.get("Patient/$export?_type=Device")
    assert answer.status_code == 400
    assert issue(answer)["location"] == ["http._type"]


def test_a_group_holds_the_records_of_its_members(fhir: httpx.Client, ward: str) -> None:
    inactive = {"entity": {"reference": f"Patient/{ward}b"}, "inactive": True}
    over = inactive | {"inactive": False, "period": {"end": "2026-01-31"}}
    put(fhir, group(f"{ward}g", f"{ward}a"))
    grown = group(f"{ward}g", f"{ward}a")
    grown["member"] += [inactive, over]
    put(fhir, grown)
    put(fhir, provenance(f"{ward}x", f"Observation/{ward}a1"))
    put(fhir, provenance(f"{ward}y", f"Observation/{ward}b1"))
    manifest = export(fhir, f"Group/{ward}g/$export")
    found = {key for key in taken(fhir, manifest) if not key.startswith("Practitioner")}
    own = {f"Patient/{ward}a", f"Observation/{ward}a1", f"Observation/{ward}a2"}
    assert {k for k in found if ward in k} == own | {f"Group/{ward}g", f"Provenance/{ward}x"}
    assert not {key for key in found if key.startswith(("Patient/", "Observation/"))} - own
    put(fhir, group(f"{ward}h", f"{ward}b", f"{ward}a"))
    nested = group(f"{ward}i")
    nested["member"] = [{"entity": {"reference": f"Group/{ward}h"}}]
    put(fhir, nested)
    both = taken(fhir, export(fhir, f"Group/{ward}i/$export", _type="Patient"))
    assert set(both) == {f"Patient/{ward}a", f"Patient/{ward}b"}


def test_a_group_that_is_not_there_or_only_describes(fhir: httpx.Client, name: str) -> None:
    assert fhir.get(f"Group/{name}/$export").status_code == 404
    put(fhir, {"resourceType": "Group", "id": name, "type": "person", "actual": False})
    answer = fhir.get(f"Group/{name}/$export")
    assert answer.status_code == 422
    assert issue(answer)["expression"] == ["Group.actual"]


def test_a_group_tells_what_changed_and_what_was_deleted(fhir: httpx.Client, ward: str) -> None:
    put(fhir, group(f"{ward}g", f"{ward}a"))
    put(fhir, provenance(f"{ward}x", f"Observation/{ward}a1"))
    put(fhir, provenance(f"{ward}y", f"Observation/{ward}b1"))
    first = export(fhir, f"Group/{ward}g/$export")
    for key in (f"Observation/{ward}a1", f"Observation/{ward}b1"):
        fhir.delete(key)
    for key in (f"Provenance/{ward}x", f"Provenance/{ward}y"):
        fhir.delete(key)
    put(fhir, observation(f"{ward}b2", f"Patient/{ward}a"))
    after = export(fhir, f"Group/{ward}g/$export", _since=first["transactionTime"])
    assert set(taken(fhir, after)) == {f"Observation/{ward}b2"}
    assert sorted(deleted(fhir, after)) == [f"Observation/{ward}a1", f"Provenance/{ward}x"]


def posted(fhir: httpx.Client, path: str, *parameters: tuple[str, Any]) -> httpx.Response:
    listed = [
        {"name": name, ("valueReference" if isinstance(value, dict) else "valueString"): value}
        for name, value in parameters
    ]
    return fhir.post(path, json={"resourceType": "Parameters", "parameter": listed})


def test_some_clients_by_name(fhir: httpx.Client, ward: str) -> None:
    one = ("patient", {"reference": f"Patient/{ward}a"})
    answer = posted(fhir, "Patient/$export", one, ("_type", "Patient,Observation"))
    manifest = finished(fhir, answer)
    assert manifest["request"].endswith("/Patient/$export")
    assert set(taken(fhir, manifest)) == {
        f"Patient/{ward}a",
        f"Observation/{ward}a1",
        f"Observation/{ward}a2",
    }
    put(fhir, group(f"{ward}g", f"{ward}a", f"{ward}b"))
    of_group = finished(fhir, posted(fhir, f"Group/{ward}g/$export", one, ("_type", "Patient")))
    assert set(taken(fhir, of_group)) == {f"Patient/{ward}a"}
    put(fhir, group(f"{ward}g", f"{ward}b"))
    for path, wrong in (
        (f"Group/{ward}g/$export", one),
        ("Patient/$export", ("patient", {"reference": "Patient/never-there"})),
        ("Patient/$export", ("patient", {"reference": f"Observation/{ward}a1"})),
        ("$export", one),
    ):
        refused = posted(fhir, path, wrong)
        assert refused.status_code == 400, path
        assert issue(refused)["location"] == ["http.patient"]


def test_provenance_that_goes_with_it(fhir: httpx.Client, ward: str) -> None:
    for key, target in (("x", "a1"), ("y", "a1"), ("z", "b1")):
        put(fhir, provenance(f"{ward}{key}", f"Observation/{ward}{target}"))
    params = {"_type": "Observation", "_typeFilter": f"Observation?_id={ward}a1"}
    associated = "includeAssociatedData"
    none = taken(fhir, export(fhir, **params))
    last = taken(fhir, export(fhir, **params, **{associated: "LatestProvenanceResources"}))
    all_ = taken(fhir, export(fhir, **params, **{associated: "RelevantProvenanceResources"}))
    own = {f"Observation/{ward}a1"}
    assert set(none) == own
    assert set(last) == own | {f"Provenance/{ward}y"}
    assert set(all_) == own | {f"Provenance/{ward}x", f"Provenance/{ward}y"}


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ("_outputFormat=csv", "_outputFormat"),
        ("_type=Nothing", "_type"),
        ("_since=yesterday", "_since"),
        ("_since=2026-05-04", "_since"),
        ("_until=2026-05-04T09:00:00", "_until"),
        ("_typeFilter=Observation", "_typeFilter"),
        ("_typeFilter=Nothing%3Fx%3Dy", "_typeFilter"),
        ("_typeFilter=Observation%3F_sort%3Ddate", "_typeFilter"),
        ("_typeFilter=Observation%3Fsubject.name%3Dx", "_typeFilter"),
        ("_typeFilter=Patient%3F_has:Observation:patient:code%3Dx", "_typeFilter"),
        ("_type=Patient&_typeFilter=Observation%3Fcode%3Dx", "_typeFilter"),
        ("_elements=nothing", "_elements"),
        ("_elements=Patient.name.family", "_elements"),
        ("includeAssociatedData=_custom", "includeAssociatedData"),
        ("organizeOutputBy=Patient", "organizeOutputBy"),
        ("allowPartialManifests=true", "allowPartialManifests"),
        ("patient=Patient/x", "patient"),
        ("unheard=of", "unheard"),
    ],
)
def test_what_is_not_offered_is_refused_by_name(fhir: httpx.Client, query: str, where: str) -> None:
    answer = fhir.get(f"$export?{query}")
    assert answer.status_code == 400
    told = issue(answer)
    assert told["location"] == [f"http.{where}"]


def test_who_is_lenient_is_told_in_a_file(fhir: httpx.Client, ward: str) -> None:
    query = "$export?_type=Patient,Nothing&unheard=of&_elements=nothing"
    answer = fhir.get(query, headers={"Prefer": "respond-async, handling=lenient"})
    manifest = finished(fhir, answer)
    assert f"Patient/{ward}a" in taken(fhir, manifest)
    (entry,) = manifest["error"]
    told = [outcome["issue"][0]["location"][0] for outcome in lines(fhir, entry)]
    assert sorted(told) == ["http._elements", "http._type", "http.unheard"]


@pytest.mark.parametrize("value", ["application/fhir+ndjson", "application/ndjson", "ndjson"])
def test_each_name_of_the_format_is_taken(fhir: httpx.Client, value: str) -> None:
    assert "output" in export(fhir, _type="Group", _outputFormat=value)


def test_a_plus_that_arrives_as_a_blank_is_one(fhir: httpx.Client) -> None:
    finished(fhir, fhir.get("$export?_type=Group&_outputFormat=application/fhir+ndjson"))
    finished(fhir, fhir.get("$export?_type=Group&_since=2026-01-01T00:00:00+01:00"))


def test_the_state_in_a_header_of_its_own(fhir: httpx.Client) -> None:
    prefer = {"Prefer": "respond-async, separate-export-status"}
    answer = fhir.get("$export?_type=Group", headers=prefer)
    assert answer.headers["Preference-Applied"] == "separate-export-status"
    status = fhir.head(answer.headers["Content-Location"])
    assert (status.status_code, status.headers["X-Export-Status"]) == (200, "202")
    status = fhir.get(answer.headers["Content-Location"])
    assert (status.status_code, status.headers["X-Export-Status"]) == (200, "200")
    assert "output" in status.json()


def test_too_many_at_once_are_refused(fhir: httpx.Client) -> None:
    with started(fhir, *["$export?_type=Group"] * 5) as answers:
        assert [answer.status_code for answer in answers] == [202] * 4 + [429]
        assert int(answers[-1].headers["Retry-After"]) > 0
        assert issue(answers[-1])["code"] == "throttled"
        finished(fhir, answers[0])
        again = fhir.get("$export?_type=Group")
        assert again.status_code == 202
        fhir.delete(again.headers["Content-Location"])


def test_addresses_that_are_none(fhir: httpx.Client, ward: str) -> None:
    url = export(fhir, _type="Patient")["output"][0]["url"]
    for wrong in (
        "0.Patient.ndjson",
        "1.Observation.ndjson",
        "1",
        "x",
        "9" * 30,
        "-1.Patient.ndjson",
    ):
        assert fhir.get(f"{url.rpartition('/')[0]}/{wrong}").status_code == 404, wrong
    assert fhir.get("$export-status/never-there").status_code == 404
    assert fhir.delete("$export-status/never-there").status_code == 404
    assert fhir.post("$export-status/never-there").status_code == 405
    assert fhir.head("$export").status_code == 405
    assert fhir.get("Observation/$export").status_code == 404
    assert fhir.get("Patient/x/$export").status_code == 404


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_not_from_within_a_bundle(fhir: httpx.Client, kind: str) -> None:
    for url in ("$export", "$export-file/x/1.Patient.ndjson"):
        sent = {
            "resourceType": "Bundle",
            "type": kind,
            "entry": [{"request": {"method": "GET", "url": url}}],
        }
        answer = fhir.post("", json=sent)
        status = answer.status_code
        if status == 200:
            status = int(answer.json()["entry"][0]["response"]["status"][:3])
        assert status in (400, 404, 422), answer.text


def test_attachments_that_lie_here_have_absolute_addresses(fhir: httpx.Client, ward: str) -> None:
    binary = {"resourceType": "Binary", "id": ward, "contentType": "text/plain", "data": "QQ=="}
    put(fhir, binary)
    document = {
        "resourceType": "DocumentReference",
        "id": ward,
        "status": "current",
        "description": 'a text with "url":"Binary/x" in it',
        "subject": {"reference": f"Patient/{ward}a"},
        "content": [{"attachment": {"contentType": "text/plain", "url": f"Binary/{ward}"}}],
    }
    put(fhir, document)
    found = taken(fhir, export(fhir, "Patient/$export", _type="DocumentReference"))
    one = found[f"DocumentReference/{ward}"]
    url = one["content"][0]["attachment"]["url"]
    assert url == f"{str(fhir.base_url).rstrip('/')}/Binary/{ward}"
    assert fhir.get(url).status_code == 200
    assert one["description"] == document["description"]


def test_it_is_claimed_as_it_is_offered(fhir: httpx.Client) -> None:
    """The canonical URLs are those of HL7/bulk-data 3.0.0, input/fsh/instances."""
    base = "http://hl7.org/fhir/uv/bulkdata"
    statement = fhir.get("metadata").json()
    assert f"{base}/CapabilityStatement/bulk-data" in statement["instantiates"]
    rest = statement["rest"][0]
    told = {"": rest.get("operation", [])}
    told |= {one["type"]: one["operation"] for one in rest["resource"]}
    claimed = {
        kind: operation["definition"]
        for kind, operations in told.items()
        for operation in operations
        if operation["name"] == "export"
    }
    assert claimed == {
        "": f"{base}/OperationDefinition/export",
        "Patient": f"{base}/OperationDefinition/patient-export",
        "Group": f"{base}/OperationDefinition/group-export",
    }


def test_numbers_are_as_they_were_written(fhir: httpx.Client, ward: str) -> None:
    raw = json.dumps(observation(f"{ward}n", f"Patient/{ward}a")).replace("21.5", "21.500")
    fhir.put(f"Observation/{ward}n", content=raw, headers={"Content-Type": "application/json"})
    manifest = export(fhir, _type="Observation", _typeFilter=f"Observation?_id={ward}n")
    (entry,) = manifest["output"]
    assert fhir.get(entry["url"]).content == fhir.get(f"Observation/{ward}n").content + b"\n"
