"""Does a bulk client that others wrote take an export whole, with its own keys?

Outside oracle: smart-fetch of PyPI, a command-line client for FHIR bulk data and SMART Backend
Services, unchanged, against a live process under access control.
"""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from joserfc.jwk import ECKey

from service.store.engine import Database
from tests.access.integrators import Integrator, asking
from tests.examples.invented import sent
from tests.live import hyoid_here, running_service

pytest.importorskip("smart_fetch")

TYPES = "Patient,Encounter,Procedure,Observation,Condition,DiagnosticReport"


@dataclass
class Service:
    """A running service, who keeps it, and the key files of the systems that may ask it."""

    address: str
    keeper: Integrator
    folder: Path

    @property
    def base(self) -> str:
        return f"{self.address}/fhir"

    def token(self) -> str:
        """A fresh one of the keeper."""
        endpoint = f"{self.address}/access/token"
        assertion = self.keeper.assertion(time.time(), aud=endpoint)
        answer = httpx.post(endpoint, data=asking(assertion, "system/*.cruds")).raise_for_status()
        return str(answer.json()["access_token"])

    def http(self) -> httpx.Client:
        """As the keeper."""
        return httpx.Client(
            base_url=self.base, headers={"Authorization": f"Bearer {self.token()}"}, timeout=60
        )

    def stored(self, kind: str, **params: str) -> set[str]:
        """Ids of a type that a search finds."""
        with self.http() as http:
            bundle = http.get(kind, params={"_count": "1000", **params}).raise_for_status().json()
        assert all(link["relation"] != "next" for link in bundle["link"])
        return {entry["resource"]["id"] for entry in bundle.get("entry", ())}

    def take(
        self, folder: Path, *options: str, types: str = TYPES
    ) -> subprocess.CompletedProcess[str]:
        """Let the client take an export."""
        command = [str(Path(sys.executable).with_name("smart-fetch")), "bulk", str(folder)]
        command += ["--fhir-url", self.base, "--no-default-filters", "--type", types, *options]
        return subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)

    def taken(self, folder: Path, *options: str) -> dict[str, set[str]]:
        """Ids by type of what the client wrote."""
        done = self.take(folder, *options)
        assert done.returncode == 0, done.stdout + done.stderr
        return written(folder)

    def keys(self, system: str, of: str = "") -> tuple[str, ...]:
        """What the client is told to get in as this system."""
        file = self.folder / f"{of or system}.jwks"
        return "--smart-client-id", system, "--smart-key", str(file)


def written(folder: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for path in folder.glob("*.ndjson.gz"):
        for line in gzip.decompress(path.read_bytes()).splitlines():
            resource = json.loads(line)
            found.setdefault(resource["resourceType"], set()).add(resource["id"])
    return found


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """It holds a part of the invented clinic, one of its clients lent to another organisation."""
    folder = tmp_path_factory.mktemp("bulk")
    url = f"sqlite:///{folder / 'store.sqlite3'}"
    bundles = folder / "clinic"
    bundles.mkdir()
    for number, bundle in enumerate(sent()[:80]):
        (bundles / f"{number:04}.json").write_text(json.dumps(bundle))
    done = hyoid_here("load", str(bundles), "--database", url)
    assert done.returncode == 0, done.stdout + done.stderr
    _register(folder, url, "collector", "--scope", "system/*.rs")
    _register(folder, url, "part", "--scope", "system/Patient.rs")
    _register(folder, url, "partner", "--scope", "system/*.rs", "--tied", "Organization/other")
    keeper = Integrator("keeper")
    database = Database(url)
    keeper.registered(database)
    database.close()
    with running_service(url, access="smart", env={"HYOID_EXPORT_FILE_SIZE": "100"}) as address:
        made = Service(address, keeper, folder)
        with made.http() as http:
            other = {"resourceType": "Organization", "id": "other", "name": "Other"}
            http.put("Organization/other", json=other).raise_for_status()
            lent = http.get("Patient", params={"_count": "1"}).json()["entry"][0]["resource"]
            lent["managingOrganization"] = {"reference": "Organization/other"}
            http.put(f"Patient/{lent['id']}", json=lent).raise_for_status()
        yield made


def _register(folder: Path, url: str, name: str, *options: str) -> None:
    """A system whose private key is its own; the service gets the public one."""
    facts = {"use": "sig", "alg": "ES384", "key_ops": ["sign"]}
    key = ECKey.generate_key("P-384", facts, auto_kid=True)
    (folder / f"{name}.jwks").write_text(json.dumps({"keys": [key.as_dict(private=True)]}))
    public = key.as_dict(private=False) | {"key_ops": ["verify"]}
    file = folder / f"{name}.public"
    file.write_text(json.dumps({"keys": [public]}))
    done = hyoid_here("client", "add", name, "--jwks", str(file), "--database", url, *options)
    assert done.returncode == 0, done.stderr


def test_everything(service: Service, tmp_path: Path) -> None:
    found = service.taken(tmp_path, *service.keys("collector"))
    for kind in TYPES.split(","):
        assert found.get(kind, set()) == service.stored(kind), kind
    assert sum(map(len, found.values())) > 500


def test_a_group_with_a_filter(service: Service, tmp_path: Path) -> None:
    """With a token: with keys the client asks for no scope of Group, which is needed here."""
    clients = sorted(service.stored("Patient"))[:2]
    members = [{"entity": {"reference": f"Patient/{key}"}} for key in clients]
    group = {"resourceType": "Group", "id": "two", "type": "person", "actual": True}
    with service.http() as http:
        http.put("Group/two", json=group | {"member": members}).raise_for_status()
    token = service.folder / "token"
    token.write_text(service.token())
    only = ("--group", "two", "--type-filter", "Observation?date=ge2026-02-01")
    found = service.taken(tmp_path, "--bearer-token", str(token), *only)
    assert found["Patient"] == set(clients)
    both = ",".join(clients)
    assert found["Observation"] == service.stored("Observation", patient=both, date="ge2026-02-01")
    assert found["Procedure"] == service.stored("Procedure", patient=both)


def test_what_is_new(service: Service, tmp_path: Path) -> None:
    with service.http() as http:
        newest = http.get("Patient", params={"_sort": "-_lastUpdated", "_count": "1"}).json()
        person = newest["entry"][0]["resource"]
        person["active"] = not person.get("active", True)
        http.put(f"Patient/{person['id']}", json=person).raise_for_status()
    since = ("--since", person["meta"]["lastUpdated"], "--since-mode", "updated")
    found = service.taken(tmp_path, *service.keys("collector"), *since)
    assert found == {"Patient": {person["id"]}}


def test_the_clients_of_its_organization_alone(service: Service, tmp_path: Path) -> None:
    own = service.stored("Patient", organization="Organization/other")
    assert len(own) == 1
    found = service.taken(tmp_path, *service.keys("partner"))
    assert found["Patient"] == own
    assert found["Observation"] == service.stored("Observation", patient=",".join(own))


@pytest.mark.parametrize(
    ("system", "of", "types", "told"),
    [
        ("collector", "partner", TYPES, "[401]"),
        ("part", "part", "Patient,Observation", "[403]"),
    ],
    ids=["the key of another", "a type beyond its scopes"],
)
def test_refused_is_nothing_written(
    system: str, of: str, types: str, told: str, service: Service, tmp_path: Path
) -> None:
    done = service.take(tmp_path, *service.keys(system, of), types=types)
    assert done.returncode != 0
    assert told in done.stdout + done.stderr
    assert written(tmp_path) == {}
