"""Systems get in, as they would: registered from the shell, over HTTP, at `hyoid serve`.

On both engines, with two processes in front of one database, and with client libraries that know
nothing of Hyoid: Authlib (OAuth 2) and fhirclient (the SMART client for Python). Sources: SMART
App Launch 2.2, backend-services and conformance; RFC 6749, section 5; RFC 6750; RFC 7662.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from authlib.integrations.requests_client import OAuth2Session
from authlib.oauth2.rfc7523 import PrivateKeyJWT
from fhirclient.client import FHIRClient
from joserfc.jwk import ECKey, RSAKey

from service.store.engine import Database
from service.store.migrate import migrate
from tests.access.integrators import KEY_FILE, Integrator, asking, ec_key, key_set
from tests.access.key_server import KeyServer, say
from tests.conftest import POSTGRES, schema_url
from tests.factories.clinical import patient
from tests.live import hyoid_here, running_service

SCOPE = "system/*.cruds"


@dataclass
class Service:
    """Two processes in front of one database, and systems that were registered there."""

    base: str
    second: str
    database: str
    folder: Path

    @property
    def token_url(self) -> str:
        return f"{self.base}/access/token"

    def register(self, name: str, *options: str) -> Integrator:
        """From the shell; the private key is the one that the command wrote."""
        file = self.folder / f"{name}.json"
        done = hyoid_here(
            *("client", "add", name, "--scope", SCOPE, "--database", self.database),
            *("--generate-key", str(file), *options),
        )
        assert done.returncode == 0, done.stderr
        jwk = json.loads(file.read_text())
        kind = ECKey if jwk["kty"] == "EC" else RSAKey
        return Integrator(name, kind.import_key(jwk), jwk["alg"])

    def form(self, system: Integrator, scope: str = SCOPE, **options: Any) -> dict[str, str]:
        options.setdefault("aud", self.token_url)
        return asking(system.assertion(time.time(), **options), scope)

    def ask(self, system: Integrator, scope: str = SCOPE, **options: Any) -> httpx.Response:
        return httpx.post(self.token_url, data=self.form(system, scope, **options))

    def token(self, system: Integrator, scope: str = SCOPE) -> str:
        answer = self.ask(system, scope)
        assert answer.status_code == 200, answer.text
        text: str = answer.json()["access_token"]
        return text

    def get(self, token: str, path: str = "Patient", base: str = "") -> httpx.Response:
        headers = {"Authorization": f"Bearer {token}"}
        return httpx.get(f"{base or self.base}/fhir/{path}", headers=headers)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def service(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("systems")
    if request.param == "sqlite":
        yield from _running(f"sqlite:///{folder / 'store.sqlite3'}", folder)
        return
    if not request.getfixturevalue("_postgres_answers"):
        pytest.skip("PostgreSQL is not reachable")
    with schema_url(POSTGRES) as url:
        database = Database(url)
        migrate(database)
        database.close()
        yield from _running(url, folder)


def _running(url: str, folder: Path) -> Iterator[Service]:
    keys = {"HYOID_KEY_FILE": KEY_FILE}
    with running_service(url, access="smart", env=keys) as base, _second(url, base) as second:
        yield Service(base, second, url, folder)


def _second(url: str, base: str) -> Any:
    """Another process of the same service: it goes by the same name, as behind one proxy."""
    import os
    from contextlib import contextmanager
    from unittest import mock

    from tests import live

    @contextmanager
    def started() -> Iterator[str]:
        named = live.clean_environment(HYOID_BASE_URL=f"{base}/fhir", HYOID_KEY_FILE=KEY_FILE)
        with (
            mock.patch.object(live, "clean_environment", lambda **more: named | more),
            running_service(url, access="smart") as second,
        ):
            assert "HYOID_BASE_URL" not in os.environ
            yield second

    return started()


@pytest.fixture(scope="module")
def lakeside(service: Service) -> Integrator:
    return service.register("lakeside")


def test_discovery(service: Service) -> None:
    for accept in ("application/json", "text/html", "application/fhir+xml"):
        answer = httpx.get(
            f"{service.base}/fhir/.well-known/smart-configuration", headers={"Accept": accept}
        )
        assert answer.status_code == 200
        assert answer.headers["Content-Type"] == "application/json"
    told = answer.json()
    assert told["token_endpoint"] == service.token_url
    assert "client_credentials" in told["grant_types_supported"]
    assert "private_key_jwt" in told["token_endpoint_auth_methods_supported"]
    assert {"RS384", "ES384"} == set(told["token_endpoint_auth_signing_alg_values_supported"])
    assert "plain" not in told["code_challenge_methods_supported"]
    assert {"client-confidential-asymmetric", "permission-v2"} <= set(told["capabilities"])
    assert SCOPE in told["scopes_supported"]
    for name in ("introspection_endpoint", "revocation_endpoint"):
        assert httpx.post(told[name], data={"token": "x"}).status_code == 401, name
    assert httpx.get(told["jwks_uri"]).json()["keys"] is not None


def test_the_statement_tells_that_it_is_smart(service: Service) -> None:
    security = httpx.get(f"{service.base}/fhir/metadata").json()["rest"][0]["security"]
    (coding,) = security["service"][0]["coding"]
    assert coding["code"] == "SMART-on-FHIR"
    assert coding["system"] == "http://terminology.hl7.org/CodeSystem/restful-security-service"


def test_the_doors_are_described(service: Service) -> None:
    paths = httpx.get(f"{service.base}/openapi.json").json()["paths"]
    for path in ("/access/token", "/access/introspect", "/access/revoke"):
        assert "application/x-www-form-urlencoded" in json.dumps(paths[path]["post"])
    assert "/access/jwks" in paths


def test_a_system_writes_and_reads(service: Service, lakeside: Integrator) -> None:
    answer = service.ask(lakeside)
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["Content-Type"] == "application/json"
    token = answer.json()["access_token"]
    headers = {"Authorization": f"Bearer {token}"}
    url = f"{service.base}/fhir/Patient/first"
    assert httpx.put(url, json=patient("first"), headers=headers).status_code == 201
    for base in (service.base, service.second):
        assert service.get(token, "Patient/first", base).json()["id"] == "first"
    notes = httpx.post(f"{service.base}/intake/sessions", json={}, headers=headers)
    assert notes.status_code == 400
    assert httpx.post(f"{service.base}/intake/sessions", json={}).status_code == 401


def test_an_rsa_system_as_well(service: Service) -> None:
    system = service.register("rsa", "--algorithm", "RS384")
    assert service.get(service.token(system)).status_code == 200


def test_refusals_have_the_form_of_oauth(service: Service, lakeside: Integrator) -> None:
    right = service.form(lakeside)
    for changed, status, error in (
        ({"grant_type": "password"}, 400, "unsupported_grant_type"),
        ({"grant_type": ""}, 400, "invalid_request"),
        ({"scope": "user/*.rs"}, 400, "invalid_scope"),
        ({"client_assertion": "x"}, 401, "invalid_client"),
        ({"client_assertion_type": "x"}, 401, "invalid_client"),
    ):
        answer = httpx.post(service.token_url, data=right | changed)
        assert answer.status_code == status, changed
        assert answer.json()["error"] == error, changed
        assert answer.headers["Cache-Control"] == "no-store"
        assert ("WWW-Authenticate" in answer.headers) == (status == 401)


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"", "application/x-www-form-urlencoded"),
        (b"{}", "application/json"),
        (b"a=1&a=2", "application/x-www-form-urlencoded"),
        (b"a=%ff", "application/x-www-form-urlencoded"),
        (b"\xff\x00", "application/x-www-form-urlencoded"),
        (b"&".join([b"a%d=1" % n for n in range(100)]), "application/x-www-form-urlencoded"),
        (b"a=" + b"x" * 100_000, "application/x-www-form-urlencoded"),
        (b"--x\r\n", "multipart/form-data; boundary=x"),
        (b"grant_type=client_credentials", ""),
    ],
    ids=range(9),
)
def test_odd_bodies_are_refused(body: bytes, kind: str, service: Service) -> None:
    for door in ("token", "introspect", "revoke"):
        answer = httpx.post(
            f"{service.base}/access/{door}", content=body, headers={"Content-Type": kind}
        )
        assert answer.status_code in (400, 401), door
        assert answer.json()["error"] in ("invalid_request", "invalid_client"), door
    assert httpx.get(service.token_url).status_code == 405


def test_an_assertion_is_used_once_whichever_process_gets_it(
    service: Service, lakeside: Integrator
) -> None:
    form = service.form(lakeside)
    answers = [
        httpx.post(f"{base}/access/token", data=form)
        for base in (service.base, service.second, service.base)
    ]
    assert [answer.status_code for answer in answers] == [200, 401, 401]


def test_the_audience_is_not_what_a_relay_says(service: Service, lakeside: Integrator) -> None:
    """An assertion meant for another service, passed on under that service's name."""
    form = service.form(lakeside, aud="http://relay.example/access/token")
    for headers in (
        {"Host": "relay.example"},
        {"X-Forwarded-Host": "relay.example", "Host": "relay.example"},
    ):
        # Where no base URL is set, no other name is answered to.
        answer = httpx.post(service.token_url, data=form, headers=headers)
        assert answer.status_code == 403
        answer = httpx.post(f"{service.second}/access/token", data=form, headers=headers)
        assert answer.json()["error"] == "invalid_client"
        told = httpx.get(f"{service.second}/fhir/.well-known/smart-configuration", headers=headers)
        assert told.json()["token_endpoint"] == service.token_url


def test_changes_are_felt_in_every_process(service: Service) -> None:
    system = service.register("passing")
    token = service.token(system)
    bases = (service.base, service.second)
    assert {service.get(token, base=base).status_code for base in bases} == {200}
    for command, status in (("disable", 401), ("enable", 200)):
        done = hyoid_here("client", command, "passing", "--database", service.database)
        assert done.returncode == 0, done.stderr
        time.sleep(1.1)
        assert {service.get(token, base=base).status_code for base in bases} == {status}
    headers = {"Authorization": f"Bearer {token}"}
    revoked = httpx.post(f"{service.base}/access/revoke", data={"token": token}, headers=headers)
    assert revoked.status_code == 200
    time.sleep(1.1)
    assert {service.get(token, base=base).status_code for base in bases} == {401}


def test_keys_are_rotated(service: Service, lakeside: Integrator) -> None:
    old = service.token(lakeside)
    here = ("--database", service.database, "--key-file", KEY_FILE)
    assert hyoid_here("keys", "rotate", *here).returncode == 0
    new = service.token(lakeside)
    for base in (service.base, service.second):
        assert [service.get(t, base=base).status_code for t in (old, new)] == [200, 200]
    # Processes that run find the new secret by themselves, whether they know a key or not.
    assert hyoid_here("keys", "secret", *here).returncode == 0
    assert hyoid_here("keys", "rotate", *here).returncode == 0
    newest = service.token(lakeside)
    for base in (service.base, service.second):
        found = [service.get(t, base=base).status_code for t in (old, new, newest)]
        assert found == [200, 200, 200]
    assert hyoid_here("keys", "rotate", "--drop-old", *here).returncode == 0
    time.sleep(1.1)
    for base in (service.base, service.second):
        assert [service.get(t, base=base).status_code for t in (old, new)] == [401, 401]


def test_the_keys_of_a_system_are_rotated(service: Service) -> None:
    system = service.register("renewed")
    file = service.folder / "renewed-2.json"
    command = ("client", "rotate", "renewed", "--generate-key", str(file))
    assert hyoid_here(*command, "--database", service.database).returncode == 0
    assert service.ask(system).status_code == 401
    renewed = Integrator("renewed", ECKey.import_key(json.loads(file.read_text())))
    assert service.ask(renewed).status_code == 200


def test_keys_by_url(service: Service) -> None:
    server = KeyServer()
    try:
        key, name = ec_key("first"), f"by-url-{service.database[:6]}"
        server.answer = lambda asked: say(asked, key_set(key).encode())
        system = Integrator(name, key)
        done = hyoid_here(
            *("client", "add", name, "--scope", SCOPE, "--jwks", server.url),
            *("--database", service.database),
        )
        assert done.returncode == 0, done.stderr
        for _ in range(3):
            assert service.ask(system, header={"jku": server.url}).status_code == 200
        assert len(server.asked) == 1
        assert service.ask(system, header={"jku": f"{server.url}2"}).status_code == 401
        for number in range(20):
            assert service.ask(system, header={"kid": f"forged{number}"}).status_code == 401
        assert len(server.asked) <= 2
    finally:
        server.close()


# Client libraries


def _authlib(service: Service, system: Integrator) -> OAuth2Session:
    """Authlib gives an assertion an hour; SMART allows five minutes."""
    signing = PrivateKeyJWT(
        service.token_url,
        claims={"exp": int(time.time()) + 240},
        headers={"kid": system.key.kid},
        alg=system.alg,
    )
    return OAuth2Session(
        client_id=system.name,
        client_secret=system.key,
        token_endpoint_auth_method=signing,
        revocation_endpoint_auth_method=signing,
        scope=SCOPE,
    )


def test_authlib(service: Service, lakeside: Integrator) -> None:
    with _authlib(service, lakeside) as client:
        token = client.fetch_token(service.token_url, grant_type="client_credentials")
        assert token["scope"] == SCOPE
        assert client.get(f"{service.base}/fhir/Patient").status_code == 200
        told = client.introspect_token(f"{service.base}/access/introspect")
        assert told.status_code == 401, "its assertion was used for the token already"
    with _authlib(service, lakeside) as client:
        client.token = token
        told = client.introspect_token(f"{service.base}/access/introspect")
        assert told.json()["client_id"] == "lakeside"
    with _authlib(service, lakeside) as client:
        client.token = token
        answer = client.revoke_token(f"{service.base}/access/revoke")
        assert answer.status_code == 200, answer.text


def test_authlib_is_told_what_was_wrong(service: Service) -> None:
    from authlib.integrations.base_client.errors import OAuthError

    with (
        _authlib(service, Integrator("stranger")) as client,
        pytest.raises(OAuthError, match="invalid_client"),
    ):
        client.fetch_token(service.token_url, grant_type="client_credentials")


def test_the_smart_client_for_python(service: Service, lakeside: Integrator) -> None:
    assertion = lakeside.assertion(time.time(), aud=service.token_url)
    smart = FHIRClient(
        settings={
            "app_id": lakeside.name,
            "api_base": f"{service.base}/fhir",
            "scope": SCOPE,
            "jwt_token": assertion,
        }
    )
    assert not smart.prepare(), "it has found out that it needs a token"
    smart.authorize()
    assert smart.ready
    from fhirclient.models.patient import Patient

    made = Patient({"resourceType": "Patient"}).create(smart.server)
    assert Patient.read(made["id"], smart.server).id == made["id"]
    smart.server.session.close()
