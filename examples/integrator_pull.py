"""An integrator's pull: find out what the service can do, take a client's record, keep it fresh.

    python examples/integrator_pull.py [http://127.0.0.1:8000/fhir] [client number]

Reads only. Checks that counts agree with searches, that no reference of the record leads out of
it, and that asking for what changed since the pull gives nothing that was missed.

http://hl7.org/fhir/R4/http.html#capabilities, http://hl7.org/fhir/R4/patient-operation-everything.html
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from typing import Any

import httpx

Json = dict[str, Any]

CLIENT_NUMBERS = "https://juniper-bend.example/ids/client"


class DisagreementError(Exception):
    """Two ways of asking gave two answers."""


def get(http: httpx.Client, path: str, **params: str) -> Json:
    answer = http.get(path, params=params or None)
    answer.raise_for_status()
    content: Json = answer.json()
    return content


def pages(http: httpx.Client, path: str, **params: str) -> Iterator[Json]:
    """A Bundle and those behind its next links."""
    bundle = get(http, path, **params)
    yield bundle
    while following := [k["url"] for k in bundle.get("link", []) if k["relation"] == "next"]:
        bundle = get(http, following[0])
        yield bundle


def resources(http: httpx.Client, path: str, **params: str) -> list[Json]:
    """The resources on all pages."""
    found = pages(http, path, **params)
    return [entry["resource"] for bundle in found for entry in bundle.get("entry", [])]


def discover(http: httpx.Client) -> dict[str, set[str]]:
    """Search parameters by resource type; the service must speak R4 and offer $everything."""
    statement = get(http, "metadata")
    if statement["fhirVersion"] != "4.0.1":
        raise DisagreementError(f"FHIR {statement['fhirVersion']}, not 4.0.1")
    offered = {r["type"]: r for r in statement["rest"][0]["resource"]}
    operations = {o["name"] for o in offered["Patient"].get("operation", [])}
    if "everything" not in operations:
        raise DisagreementError("Patient/$everything is not offered")
    print(f"{statement['software']['name']}: FHIR 4.0.1, {len(offered)} resource types")
    return {
        name: {parameter["name"] for parameter in facts.get("searchParam", [])}
        for name, facts in offered.items()
    }


def key(resource: Json) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def pull(http: httpx.Client, patient: str) -> dict[str, Json]:
    """The whole record of a client by type and id."""
    count, held = 0, {}
    for bundle in pages(http, f"Patient/{patient}/$everything", _count="100"):
        count += 1
        for entry in bundle.get("entry", []):
            if key(entry["resource"]) in held:
                raise DisagreementError(f"{key(entry['resource'])} came twice")
            held[key(entry["resource"])] = entry["resource"]
    print(f"pulled {len(held)} resources on {count} pages")
    return held


def references(value: Any) -> Iterator[str]:
    """All literal references in a resource."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for item in value.values():
            yield from references(item)
    elif isinstance(value, list):
        for item in value:
            yield from references(item)


def own_record(
    http: httpx.Client, patient: str, offered: dict[str, set[str]], held: dict[str, Json]
) -> list[str]:
    """Types whose resources are about the client: as many pulled as a search counts."""
    pulled = Counter(resource["resourceType"] for resource in held.values())
    about = []
    for resource_type, parameters in sorted(offered.items()):
        # The log of accesses is not part of the record.
        if "patient" not in parameters or resource_type == "AuditEvent":
            continue
        params = {"patient": patient, "_total": "accurate", "_count": "1"}
        total = get(http, resource_type, **params)["total"]
        if not total:
            continue
        about.append(resource_type)
        if total != pulled[resource_type]:
            raise DisagreementError(
                f"{resource_type}: {pulled[resource_type]} pulled, {total} found"
            )
        print(f"  {resource_type:20} {total:5}")
    return about


def check_closed(about: list[str], held: dict[str, Json]) -> None:
    """No reference of the client's own resources may lead out of what was pulled."""
    checked = 0
    for resource in held.values():
        if resource["resourceType"] not in about:
            continue
        for target in references(resource):
            if target.startswith("#") or ":" in target:
                continue
            checked += 1
            if target.split("/_history/")[0] not in held:
                raise DisagreementError(f"{key(resource)} refers to {target}, which did not come")
    print(f"{checked} references, all inside the record")


def refresh(http: httpx.Client, patient: str, about: list[str], held: dict[str, Json]) -> None:
    """Take in what changed since the newest thing pulled; that thing itself must come again."""
    own = [resource for resource in held.values() if resource["resourceType"] in about]
    mark = max(resource["meta"]["lastUpdated"] for resource in own)
    fresh = known = 0
    for resource_type in about:
        for resource in resources(http, resource_type, patient=patient, _lastUpdated=f"ge{mark}"):
            before = held.get(key(resource))
            if before == resource:
                known += 1
                continue
            if before and before["meta"]["lastUpdated"] > resource["meta"]["lastUpdated"]:
                raise DisagreementError(f"{key(resource)} came back older than it was pulled")
            held[key(resource)] = resource
            fresh += 1
    if not known and not fresh:
        raise DisagreementError(f"nothing is as new as {mark}, though something was pulled with it")
    print(f"since {mark}: {fresh} new or changed, {known} known")


def run(http: httpx.Client, number: str) -> None:
    """Discover, pull, check, refresh."""
    offered = discover(http)
    found = resources(http, "Patient", identifier=f"{CLIENT_NUMBERS}|{number}")
    if len(found) != 1:
        raise DisagreementError(f"{len(found)} clients have the number {number}")
    patient = found[0]["id"]
    held = pull(http, patient)
    about = own_record(http, patient, offered, held)
    check_closed(about, held)
    refresh(http, patient, about, held)


def main(base: str = "http://127.0.0.1:8000/fhir", number: str = "C-1041") -> int:
    headers = {"Accept": "application/fhir+json"}
    with httpx.Client(base_url=base, headers=headers, timeout=30) as http:
        try:
            run(http, number)
        except (DisagreementError, httpx.HTTPError) as problem:
            print(f"DISAGREEMENT: {problem}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
