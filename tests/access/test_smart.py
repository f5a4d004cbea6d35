"""With `--access smart` and no token: nothing but how to get one, and the probes.

Sources: RFC 6750, section 3 (WWW-Authenticate); SMART App Launch 2, conformance: the
CapabilityStatement and smart-configuration are open. Who is not let in must not learn what there
is.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import httpx
import pytest

from tests.contract.addresses import METHODS, addresses
from tests.contract.outcomes import refusal
from tests.factories.clinical import patient
from tests.live import UNLIMITED, running_service

PUBLIC = ("metadata", ".well-known/smart-configuration")


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A store that holds Patient/there, and Patient/gone which is deleted."""
    url = f"sqlite:///{tmp_path_factory.mktemp('smart') / 'store.sqlite3'}"
    with running_service(url) as base:
        for name in ("there", "gone"):
            address = f"{base}/fhir/Patient/{name}"
            httpx.put(address, json=patient(name)).raise_for_status()
        httpx.delete(f"{base}/fhir/Patient/gone").raise_for_status()
    return url


@pytest.fixture(scope="module")
def smart(database: str) -> Iterator[httpx.Client]:
    with (
        running_service(database, access="smart", env=UNLIMITED) as base,
        httpx.Client(base_url=base) as client,
    ):
        yield client


@pytest.mark.parametrize("method", METHODS)
def test_every_address_needs_a_token(method: str, smart: httpx.Client) -> None:
    for address in (*addresses(), "Patient/there", "Patient/gone"):
        if address in PUBLIC and method in ("GET", "HEAD"):
            continue
        answer = smart.request(method, f"/fhir/{address}")
        assert answer.status_code == 401, address
        assert answer.headers["WWW-Authenticate"].startswith("Bearer"), address
        assert "Allow" not in answer.headers, address
        if method != "HEAD":
            assert refusal(answer)[0]["code"] == "login", address


@pytest.mark.parametrize(
    ("method", "address"),
    [
        *(("GET", f"/fhir/{each}") for each in (*PUBLIC, "Patient/there")),
        ("POST", "/access/token"),
        ("GET", "/access/jwks"),
        ("GET", "/access/sign-in"),
        ("POST", "/access/sign-in"),
        ("POST", "/intake/sessions"),
        ("GET", "/"),
        ("GET", "/docs"),
        ("GET", "/nowhere"),
    ],
)
def test_no_name_of_the_callers_choice(method: str, address: str, smart: httpx.Client) -> None:
    """Without a base URL links would follow it; what a page elsewhere could do by that: DNS
    rebinding."""
    answer = smart.request(method, address, headers={"Host": "evil.example"})
    assert answer.status_code == 403
    assert refusal(answer)[0]["location"] == ["http.Host"]
    assert "evil" not in answer.text


@pytest.mark.parametrize(
    "authorization", ["Bearer x", "Bearer", "Basic YTpi", "bearer " + "x" * 8000, "", "é"]
)
def test_a_forged_token_is_none(authorization: str, smart: httpx.Client) -> None:
    given = {b"Authorization": authorization.encode()}
    for method in ("GET", "DELETE"):
        assert smart.request(method, "/fhir/Patient/there", headers=given).status_code == 401


def test_nothing_tells_what_is_there(smart: httpx.Client) -> None:
    asked = ("Patient/there", "Patient/gone", "Patient/never-there", "Nothing/1", "Patient/a b")
    answers = [smart.get(f"/fhir/{address}") for address in asked]
    assert len({answer.content for answer in answers}) == 1
    heads = [{k: v for k, v in a.headers.items() if k != "date"} for a in answers]
    assert all(head == heads[0] for head in heads)


def test_bodies_and_queries_are_not_looked_at(smart: httpx.Client) -> None:
    for body in (b"", b"{", b'{"resourceType":"Patient"}'):
        assert smart.post("/fhir/Patient", content=body).status_code == 401
        assert smart.post("/fhir", content=body).status_code == 401
    assert smart.post("/intake/sessions", content=b"{}").status_code == 401
    for query in ("_format=xml", "%ff", "_count=x", "a=%00"):
        assert smart.get(f"/fhir/Patient?{query}").status_code == 401


def test_the_statement_and_the_probes_are_open(smart: httpx.Client) -> None:
    statement = smart.get("/fhir/metadata")
    assert statement.json()["resourceType"] == "CapabilityStatement"
    assert "token" in statement.json()["rest"][0]["security"]["description"]
    assert smart.head("/fhir/metadata").status_code == 200
    for probe in ("live", "ready"):
        assert smart.get(f"/health/{probe}").status_code == 200


def test_other_methods_at_what_is_open_need_a_token(smart: httpx.Client) -> None:
    for method in ("POST", "PUT", "DELETE"):
        for address in ("metadata", ".well-known/smart-configuration"):
            assert smart.request(method, f"/fhir/{address}").status_code == 401


def test_nothing_was_stored_meanwhile(smart: httpx.Client, database: str) -> None:
    smart.post("/fhir/Patient", json=patient())
    smart.put("/fhir/Patient/there", json=patient("there"))
    smart.delete("/fhir/Patient/there")
    with closing(sqlite3.connect(database.removeprefix("sqlite:///"))) as connection:
        (count,) = connection.execute("SELECT count(*) FROM version WHERE type = 'Patient'")
    assert count == (3,)
