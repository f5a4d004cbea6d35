"""How does a test take a bulk export, as a client of the published guide would?"""

from __future__ import annotations

import json
import time
from typing import Any

import httpx

Json = dict[str, Any]


def finished(client: httpx.Client, started: httpx.Response) -> Json:
    """The manifest, polled for as the guide says."""
    assert started.status_code == 202, started.text
    address = started.headers["Content-Location"]
    assert address.startswith("http")
    for _ in range(200):
        answer = client.get(address)
        if answer.status_code == 200:
            assert answer.headers["Content-Type"] == "application/json"
            assert "Expires" in answer.headers
            manifest: Json = answer.json()
            return manifest
        assert answer.status_code == 202, answer.text
        assert len(answer.headers["X-Progress"]) < 100
        time.sleep(min(int(answer.headers["Retry-After"]), 0.1))
    raise AssertionError("the export does not come to its end")


def export(client: httpx.Client, path: str = "$export", **params: Any) -> Json:
    """The manifest of a new export."""
    return finished(client, client.get(path, params=params))


def lines(client: httpx.Client, entry: Json) -> list[Json]:
    """What is in a file of a manifest; as many lines as it says, each of its type."""
    answer = client.get(entry["url"])
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "application/fhir+ndjson"
    assert answer.content.endswith(b"\n")
    found = [json.loads(line) for line in answer.content.split(b"\n")[:-1]]
    assert len(found) == entry["count"]
    assert {each["resourceType"] for each in found} == {entry["type"]}
    return found


def taken(client: httpx.Client, manifest: Json) -> dict[str, Json]:
    """All resources of the output by `Type/id`; none may come twice."""
    found: dict[str, Json] = {}
    for entry in manifest["output"]:
        for resource in lines(client, entry):
            key = f"{resource['resourceType']}/{resource['id']}"
            assert key not in found, f"{key} came twice"
            found[key] = resource
    return found


def deleted(client: httpx.Client, manifest: Json) -> list[str]:
    """`Type/id` of all deletions."""
    bundles = [bundle for entry in manifest["deleted"] for bundle in lines(client, entry)]
    assert all(bundle["type"] == "transaction" for bundle in bundles)
    requests = [entry["request"] for bundle in bundles for entry in bundle["entry"]]
    assert all(request["method"] == "DELETE" for request in requests)
    return [request["url"] for request in requests]
