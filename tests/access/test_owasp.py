"""The ten risks of the OWASP API Security Top 10 (2023), one after the other, at `hyoid serve` with
tokens that it gave. Each is tried here in its plainest form; what tests it through is named.
"""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest
from joserfc import jwt

from service.store.engine import Database
from service.store.migrate import migrate
from tests.access.integrators import Integrator, asking
from tests.access.key_server import KeyServer, say
from tests.contract.outcomes import refusal
from tests.factories.clinical import observation, patient
from tests.live import free_port, running_service

FULL = "system/*.cruds"


@dataclass
class Clinic:
    """A live service: clients of two clinics, and systems that differ in what they may do."""

    base: str
    systems: dict[str, Integrator]

    def ask(self, name: str, scope: str = FULL, **claims: Any) -> httpx.Response:
        claims.setdefault("aud", f"{self.base}/access/token")
        form = asking(self.systems[name].assertion(time.time(), **claims), scope)
        return httpx.post(f"{self.base}/access/token", data=form)

    def token(self, name: str, scope: str = FULL) -> str:
        answer = self.ask(name, scope)
        assert answer.status_code == 200, answer.text
        found: str = answer.json()["access_token"]
        return found

    def client(self, name: str, scope: str = FULL) -> httpx.Client:
        headers = {"Authorization": f"Bearer {self.token(name, scope)}"}
        return httpx.Client(base_url=f"{self.base}/fhir/", headers=headers, timeout=20)


@pytest.fixture(scope="module")
def keys() -> Iterator[KeyServer]:
    server = KeyServer()
    yield server
    server.close()


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory, keys: KeyServer) -> Iterator[Clinic]:
    url = f"sqlite:///{tmp_path_factory.mktemp('owasp') / 'store.sqlite3'}"
    database = Database(url)
    migrate(database)
    systems = {name: Integrator(name) for name in ("whole", "north", "south", "reader", "remote")}
    systems["whole"].registered(database)
    systems["north"].registered(database, tied="Organization/of-the-n")
    systems["south"].registered(database, tied="Organization/of-the-s")
    systems["reader"].registered(database, "system/Patient.rs")
    systems["remote"].registered(database, url=keys.url)
    database.close()
    port = free_port()
    with running_service(url, access="smart", port=port) as base:
        found = Clinic(base, systems)
        with found.client("whole") as whole:
            for name in ("north", "south"):
                house = f"of-the-{name[0]}"
                organization = {"resourceType": "Organization", "id": house, "name": house}
                whole.put(f"Organization/{house}", json=organization).raise_for_status()
                managed = {"managingOrganization": {"reference": f"Organization/{house}"}}
                whole.put(f"Patient/{name}", json=patient(name, **managed)).raise_for_status()
                measure = observation(f"of-{name}", f"Patient/{name}")
                whole.put(f"Observation/of-{name}", json=measure).raise_for_status()
        yield found


def test_1_object_level_authorization(clinic: Clinic) -> None:
    """Through every search feature: tests/contract/test_two_clinics.py."""
    with clinic.client("north") as north:
        assert north.get("Patient/north").status_code == 200
        for address in (
            *("Patient/south", "Observation/of-south", "Patient/south/_history"),
            *("Patient/south/_history/1", "Patient/south/$everything", "Patient/south/$summary"),
        ):
            foreign, nothing = north.get(address), north.get(address.replace("south", "nobody"))
            assert foreign.status_code == nothing.status_code == 404, address
            assert foreign.text.replace("south", "nobody") == nothing.text, address
        for address in ("Patient", "Observation", "Observation?subject=Patient/south", "_history"):
            assert '"south"' not in north.get(address).text, address
            assert '"of-south"' not in north.get(address).text, address
        assert north.get("Observation?_summary=count").json()["total"] == 1
        measure = observation("of-south", "Patient/south", 1)
        assert north.put("Observation/of-south", json=measure).status_code in (403, 404)
        assert north.delete("Observation/of-south").status_code in (204, 403, 404)
    with clinic.client("south") as south:
        assert south.get("Observation/of-south").headers["ETag"] == 'W/"1"'


def test_2_authentication(clinic: Clinic) -> None:
    """Assertions and tokens one by one: test_assertions.py, test_systems.py, test_bearer.py."""
    token = clinic.token("whole")
    head, claims, signature = token.split(".")
    none = base64.urlsafe_b64encode(b'{"alg":"none"}').decode().rstrip("=")
    told = json.loads(base64.urlsafe_b64decode(claims + "=" * (-len(claims) % 4)))
    own = clinic.systems["whole"].key
    forged = jwt.encode({"alg": "ES384", "kid": own.kid}, told, own, algorithms=["ES384"])
    for bad in (f"{none}.{claims}.", f"{head}.{claims}.{signature[:-8]}AAAAAAAA", forged, "x"):
        answer = httpx.get(
            f"{clinic.base}/fhir/Patient", headers={"Authorization": f"Bearer {bad}"}
        )
        assert answer.status_code == 401
        assert "invalid_token" in answer.headers["WWW-Authenticate"]
    # A token in an address would stand in logs: it is none.
    assert httpx.get(f"{clinic.base}/fhir/Patient?access_token={token}").status_code == 401
    now = time.time()
    form = asking(clinic.systems["whole"].assertion(now, aud=f"{clinic.base}/access/token"))
    statuses = [httpx.post(f"{clinic.base}/access/token", data=form).status_code for _ in range(2)]
    assert statuses == [200, 401], "an assertion counts once"
    for claims_ in ({"exp": int(now) - 120}, {"aud": "https://other.example"}, {"sub": "reader"}):
        assert clinic.ask("whole", **claims_).status_code == 401


def test_3_object_property_level_authorization(clinic: Clinic) -> None:
    """What a client says of the version, its time and its author is not believed."""
    with clinic.client("whole") as whole:
        claimed = {"versionId": "99", "lastUpdated": "1999-01-01T00:00:00Z"}
        answer = whole.put("Patient/meta", json=patient("meta", meta=claimed))
        assert answer.json()["meta"]["versionId"] == "1"
        assert not answer.json()["meta"]["lastUpdated"].startswith("1999")
        unknown = patient("meta", administrator=True)
        assert whole.put("Patient/meta", json=unknown).status_code == 400
    scope = "system/Observation.rs?code=nothing-of-this"
    with clinic.client("whole", scope) as narrow:
        assert narrow.get("Observation/of-north").status_code == 404
        assert narrow.get("Observation").json()["total"] == 0


def test_4_resource_consumption(clinic: Clinic) -> None:
    """Rates: test_turns.py; slow clients: tests/commands/test_connections.py; costly searches:
    tests/store/test_time_limit.py."""
    with clinic.client("whole") as whole:
        page = whole.get("Patient?_count=999999999")
        assert page.status_code == 200
        assert whole.post("Patient", content=b" " * (16 * 2**20 + 1)).status_code == 413
        deep = b'{"resourceType":"Patient","name":' + b"[" * 100_000
        headers = {"Content-Type": "application/fhir+json"}
        assert whole.post("Patient", content=deep, headers=headers).status_code == 400
        statuses = {whole.get("$export?_type=Patient").status_code for _ in range(6)}
        assert statuses == {202, 429}


def test_5_function_level_authorization(clinic: Clinic) -> None:
    """Every letter against every interaction: tests/rest/test_permission.py."""
    with clinic.client("reader", "system/Patient.rs") as reader:
        assert reader.get("Patient/north").status_code == 200
        for method, address in (
            *(("POST", "Patient"), ("PUT", "Patient/north"), ("DELETE", "Patient/north")),
            *(("GET", "Observation/of-north"), ("GET", "Observation"), ("GET", "AuditEvent")),
            ("GET", "$export?_type=Observation"),
        ):
            answer = reader.request(method, address, json=patient("north"))
            assert answer.status_code == 403, address
            assert refusal(answer)[0]["code"] == "forbidden"
        entry = {"request": {"method": "DELETE", "url": "Patient/north"}}
        batch = {"resourceType": "Bundle", "type": "batch", "entry": [entry]}
        (answered,) = reader.post("", json=batch).json()["entry"]
        assert answered["response"]["status"].startswith("403")
    assert clinic.ask("reader", FULL).json()["scope"] == "system/Patient.rs"
    # One system learns nothing of another's token.
    form = {"token": clinic.token("whole")}
    headers = {"Authorization": f"Bearer {clinic.token('reader', 'system/Patient.rs')}"}
    asked = httpx.post(f"{clinic.base}/access/introspect", data=form, headers=headers)
    assert asked.json() == {"active": False}


def test_6_sensitive_flows(clinic: Clinic) -> None:
    """Taking everything at once: exports are few at a time, are the asker's alone, and weigh as
    fifty requests (test_turns.py); Consents are honoured (tests/rest/test_consents.py)."""
    with clinic.client("south") as south, clinic.client("north") as north:
        status = south.get("$export").headers["Content-Location"]
        assert north.get(status).status_code == north.delete(status).status_code == 404
        assert httpx.get(status).status_code == 401
        assert south.get(status).status_code in (200, 202)
    # Signing in is tried a few times, not thousands; whether there is such a login is not told.
    form = {"login": "nobody", "passphrase": "quiet river stones"}
    headers = {"Origin": clinic.base, "Sec-Fetch-Site": "same-origin"}
    address = f"{clinic.base}/access/sign-in"
    tries = [httpx.post(address, data=form, headers=headers).status_code for _ in range(8)]
    assert set(tries) == {401, 429}


def test_7_server_side_request_forgery(clinic: Clinic, keys: KeyServer) -> None:
    """Addresses of key sets: test_fetching.py. Nothing else is ever fetched."""
    before = len(keys.asked)
    url = f"http://127.0.0.1:{keys.port}/inside"
    answer = clinic.ask("whole", header={"jku": url})
    assert answer.status_code == 401
    document = {
        "resourceType": "DocumentReference",
        "status": "current",
        "subject": {"reference": f"{url}/Patient/1"},
        "content": [{"attachment": {"url": url}}],
        "meta": {"profile": [url]},
        "implicitRules": url,
    }
    with clinic.client("whole") as whole:
        whole.post("DocumentReference", json=document)
        whole.post("DocumentReference/$validate", json=document)
        whole.get("ValueSet/$expand", params={"url": url})
        whole.get("Observation", params={"code:in": url})
        whole.get("Patient", params={"_profile": url, "link": url})
        channel = {"type": "rest-hook", "endpoint": url, "payload": "application/fhir+json"}
        subscription = {
            "resourceType": "Subscription",
            "status": "requested",
            "reason": "tried",
            "criteria": "Patient?",
            "channel": channel,
        }
        whole.post("Subscription", json=subscription)
        whole.put("Patient/hooked", json=patient("hooked", photo=[{"url": url}]))
        entry = {"request": {"method": "GET", "url": f"{url}/Patient/1"}}
        for kind in ("batch", "transaction"):
            whole.post("", json={"resourceType": "Bundle", "type": kind, "entry": [entry]})
        notes = {"clinic": url, "sessions": [{"session": url}]}
        whole.post(f"{clinic.base}/intake/sessions", json=notes)
    assert len(keys.asked) == before


def test_8_misconfiguration(clinic: Clinic) -> None:
    """Headers and CORS: tests/contract/test_headers.py; what does not start:
    tests/commands/test_serve_safety.py; faults: tests/contract/test_faults.py, test_logs.py."""
    answer = httpx.get(f"{clinic.base}/fhir/metadata", headers={"Origin": "https://evil.example"})
    assert "Server" not in answer.headers
    assert "Access-Control-Allow-Origin" not in answer.headers
    for address in ("/.env", "/.git/config", "/docs/../../etc/passwd", "/server-status", "/debug"):
        assert httpx.get(clinic.base + address).status_code == 404
    assert httpx.request("TRACE", f"{clinic.base}/fhir/metadata").status_code in (401, 405)
    with clinic.client("whole") as whole:
        for body in (b"\xff", b"[]", b"{"):
            answer = whole.post("Patient", content=body, headers={"Prefer": "handling=\\"})
            assert 400 <= answer.status_code < 500
            assert "Traceback" not in answer.text
            assert "site-packages" not in answer.text


def test_9_inventory(clinic: Clinic) -> None:
    """The CapabilityStatement says what there is: tests/contract/test_capability.py."""
    told = httpx.get(f"{clinic.base}/fhir/metadata").json()
    offered = {each["type"] for each in told["rest"][0]["resource"]}
    with clinic.client("whole") as whole:
        for kind in ("Claim", "Account", "Basic"):
            assert kind not in offered
            assert whole.get(kind).status_code == 404
    paths = httpx.get(f"{clinic.base}/openapi.json").json()["paths"]
    doors = {path.split("/")[1] for path in paths}
    assert doors <= {"", "access", "fhir", "health", "intake"}, "the doors that are meant"
    for path in ("/redoc", "/docs/oauth2-redirect", "/v1", "/fhir/v1", "/metrics", "/admin"):
        assert httpx.get(clinic.base + path).status_code in (401, 404), path
    # What is described without a token tells how to ask, and nothing of what is stored.
    for path in ("/docs", "/openapi.json", "/fhir/metadata"):
        answer = httpx.get(clinic.base + path)
        assert answer.status_code == 200
        assert "of-north" not in answer.text


def test_10_consumption_of_others_apis(clinic: Clinic, keys: KeyServer) -> None:
    """The one API of others that is asked: key sets. Sizes, times, TLS: test_fetching.py."""
    for answer in (
        lambda asked: say(asked, b"", 302, Location="http://169.254.169.254/latest/meta-data"),
        lambda asked: say(asked, b"[" * 100_000),
        lambda asked: say(asked, b'{"keys": [{"kty": "oct", "kid": "one", "k": "AAAA"}]}'),
        lambda asked: say(asked, b"no", 500),
    ):
        keys.answer = answer
        refused = clinic.ask("remote")
        assert refused.status_code == 401
        assert refused.json()["error"] == "invalid_client"
