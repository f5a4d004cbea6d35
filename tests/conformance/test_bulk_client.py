"""Does a bulk client that others wrote take an export whole?

Outside oracle: smart-fetch 1.0.3 of PyPI, a command-line client for FHIR bulk data. It brings many
packages along, so it is not in the test extra: the test runs where `SMART_FETCH` names its command,
for instance in an environment of its own.
"""

from __future__ import annotations

import gzip
import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.examples.invented import sent
from tests.live import running_service

SMART_FETCH = os.environ.get("SMART_FETCH")
TYPES = "Patient,Encounter,Procedure,Observation,Condition,DiagnosticReport"

pytestmark = pytest.mark.skipif(not SMART_FETCH, reason="SMART_FETCH names no client")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The FHIR base of a service that holds the invented clinic."""
    path = tmp_path_factory.mktemp("bulk") / "store.sqlite3"
    with running_service(f"sqlite:///{path}") as address, httpx.Client(timeout=60) as http:
        for bundle in sent():
            http.post(f"{address}/fhir", json=bundle).raise_for_status()
        yield f"{address}/fhir"


def fetched(base: str, folder: Path, *arguments: str) -> dict[str, set[str]]:
    """Ids by type of what the client wrote."""
    assert SMART_FETCH
    command = [SMART_FETCH, "bulk", str(folder), "--fhir-url", base, "--no-default-filters"]
    done = subprocess.run(
        [*command, "--type", TYPES, *arguments],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, set[str]] = {}
    for path in folder.glob("*.ndjson.gz"):
        for line in gzip.decompress(path.read_bytes()).splitlines():
            resource = json.loads(line)
            found.setdefault(resource["resourceType"], set()).add(resource["id"])
    return found


def stored(base: str, kind: str, **params: str) -> set[str]:
    """Ids of a type that a search finds."""
    ids: set[str] = set()
    url: str | None = f"{base}/{kind}"
    query: dict[str, str] | None = {"_count": "1000", **params}
    while url:
        bundle = httpx.get(url, params=query).json()
        ids |= {entry["resource"]["id"] for entry in bundle.get("entry", ())}
        links = [link["url"] for link in bundle["link"] if link["relation"] == "next"]
        url, query = (links[0] if links else None), None
    return ids


def test_everything(base: str, tmp_path: Path) -> None:
    found = fetched(base, tmp_path)
    for kind in TYPES.split(","):
        assert found.get(kind, set()) == stored(base, kind), kind
    assert sum(map(len, found.values())) > 1000


def test_a_group_with_a_filter(base: str, tmp_path: Path) -> None:
    clients = sorted(stored(base, "Patient"))[:2]
    members = [{"entity": {"reference": f"Patient/{key}"}} for key in clients]
    group = {"resourceType": "Group", "id": "two", "type": "person", "actual": True}
    httpx.put(f"{base}/Group/two", json=group | {"member": members}).raise_for_status()
    only = ("--group", "two", "--type-filter", "Observation?date=ge2026-06-01")
    found = fetched(base, tmp_path, *only)
    assert found["Patient"] == set(clients)
    wanted = {"patient": ",".join(clients), "date": "ge2026-06-01"}
    assert found["Observation"] == stored(base, "Observation", **wanted)
    assert found["Procedure"] == stored(base, "Procedure", patient=",".join(clients))


def test_what_is_new(base: str, tmp_path: Path) -> None:
    fetched(base, tmp_path / "first")
    mark = httpx.get(f"{base}/Patient", params={"_sort": "-_lastUpdated", "_count": "1"}).json()
    since = mark["entry"][0]["resource"]["meta"]["lastUpdated"]
    key = mark["entry"][0]["resource"]["id"]
    changed = httpx.get(f"{base}/Patient/{key}").json()
    httpx.put(f"{base}/Patient/{key}", json=changed | {"active": True}).raise_for_status()
    found = fetched(base, tmp_path / "second", "--since", since, "--since-mode", "updated")
    assert found["Patient"] == {key}
