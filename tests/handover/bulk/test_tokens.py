"""What becomes of an export while tokens end and what its system may do is changed?

Live, with the tokens that the service gives. Outside source: Bulk Data Access 3.0.0 (status and
file requests protected like the kick-off; a file may be limited to who asked, and needs scopes that
cover everything in it); RFC 6750, section 3.1 (a token that has ended: 401, scope too small: 403).
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

import httpx
import pytest

from service.store.engine import Database
from tests.access.integrators import Integrator, asking
from tests.factories.clinical import observation, patient
from tests.live import hyoid_here, running_service
from tests.rest.exporting import finished, lines

WAIT = 20.0


@dataclass
class Place:
    """A service with two systems."""

    address: str
    url: str
    system: Integrator
    other: Integrator

    def token(self, system: Integrator) -> httpx.Response:
        endpoint = f"{self.address}/access/token"
        assertion = system.assertion(time.time(), aud=endpoint)
        return httpx.post(endpoint, data=asking(assertion, "system/*.cruds"))

    def client(self, system: Integrator) -> httpx.Client:
        """With a token of its own."""
        token = self.token(system).raise_for_status().json()["access_token"]
        bearer = {"Authorization": f"Bearer {token}"}
        return httpx.Client(base_url=f"{self.address}/fhir", headers=bearer, timeout=60)

    def keep(self, *arguments: str) -> None:
        """What its keeper says in the shell."""
        done = hyoid_here("client", *arguments, "--database", self.url)
        assert done.returncode == 0, done.stderr


@pytest.fixture
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    url = f"sqlite:///{tmp_path_factory.mktemp('tokens') / 'store.sqlite3'}"
    systems = Integrator("asking"), Integrator("other")
    # The service makes the tables; a system that is not there yet cannot ask.
    with running_service(url, access="smart") as address:
        database = Database(url)
        for system in systems:
            system.registered(database)
        database.close()
        yield Place(address, url, *systems)


def until(http: httpx.Client, url: str, status: int) -> httpx.Response:
    """What is changed in the shell counts within a second."""
    end = time.monotonic() + WAIT
    while (answer := http.get(url)).status_code != status and time.monotonic() < end:
        time.sleep(0.1)
    assert answer.status_code == status, answer.text
    return answer


def test_an_export_outlives_its_token_and_not_what_its_system_may_do(place: Place) -> None:
    with place.client(place.system) as first:
        first.put("Patient/a", json=patient("a")).raise_for_status()
        first.put("Observation/a", json=observation("a", "Patient/a")).raise_for_status()
        started = first.get("$export")
        status = started.headers["Content-Location"]
        token = first.headers["Authorization"].partition(" ")[2]
        revoke = f"{place.address}/access/revoke"
        first.post(revoke, data={"token": token}).raise_for_status()
        until(first, status, 401)

    with place.client(place.system) as second:
        manifest = finished(second, started)
        files = {file["type"]: file for file in manifest["output"]}
        assert [each["id"] for each in lines(second, files["Observation"])] == ["a"]
        with place.client(place.other) as other, httpx.Client() as nobody:
            for url in (status, files["Observation"]["url"]):
                assert other.get(url).status_code == 404
                assert nobody.get(url).status_code == 401
            assert other.delete(status).status_code == 404

        place.keep("change", "asking", "--scope", "system/Patient.rs")
        with place.client(place.system) as less:
            # The token that the system holds already is narrowed as well.
            for http in (second, less):
                until(http, files["Observation"]["url"], 403)
                assert [each["id"] for each in lines(http, files["Patient"])] == ["a"]

    with place.client(place.system) as last:
        place.keep("disable", "asking")
        until(last, files["Patient"]["url"], 401)
        until(last, status, 401)
    assert place.token(place.system).status_code == 401
