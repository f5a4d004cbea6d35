"""Every answer carries the headers that keep browsers from mischief; pages elsewhere are let in by
list alone.

Outside sources: OWASP HTTP Headers Cheat Sheet; Fetch Standard, section 3.2 (CORS); RFC 9110,
section 12.5.5 (Vary); RFC 6797, section 7.2 (HSTS not over plain HTTP).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import anyio
import httpx
import pytest
from fastapi import FastAPI

from service.app import create_app
from service.rest.headers import origins_in
from service.settings import Settings
from service.store.engine import Database
from service.store.migrate import migrate
from tests.factories.clinical import patient

Ask = Callable[..., httpx.Response]
APP = "https://app.example"


def _asking(app: FastAPI, base: str = "http://localhost") -> Ask:
    def send(method: str, address: str, **options: Any) -> Any:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app)
            async with httpx.AsyncClient(transport=transport, base_url=base) as asking:
                return await asking.request(method, address, **options)

        return anyio.run(once)

    return send


@pytest.fixture
def made(sqlite_url: str) -> Iterator[Callable[..., FastAPI]]:
    database = Database(sqlite_url)
    migrate(database)
    database.close()
    apps = []

    def make(**settings: Any) -> FastAPI:
        apps.append(create_app(Settings(database=sqlite_url, **settings)))
        return apps[-1]

    yield make
    for app in apps:
        app.fhir.service.store.database.close()  # type: ignore[attr-defined]


ADDRESSES = (
    *("/", "/docs", "/openapi.json", "/health/live", "/health/ready", "/nothing", "/fhir"),
    *("/fhir/metadata", "/fhir/Patient", "/fhir/Patient/there", "/fhir/Patient/none"),
    *("/fhir/.well-known/smart-configuration", "/access/jwks", "/access/token"),
    *("/intake/sessions", "/intake/sessions/schema.json", "/intake/sessions/template.csv"),
)

PAGES_WITH_FORMS = ("/", "/access/sign-in")


@pytest.mark.parametrize("access", ["open", "smart"])
def test_on_every_answer(access: str, made: Callable[..., FastAPI]) -> None:
    app = made(access=access)
    for base in ("http://localhost", "https://localhost"):
        ask = _asking(app, base)
        for method in ("GET", "HEAD", "POST", "OPTIONS", "TRACE"):
            for address in ADDRESSES:
                answer = ask(method, address)
                headers, asked = answer.headers, f"{method} {base}{address}"
                assert answer.status_code < 500, asked
                assert headers.get_list("X-Content-Type-Options") == ["nosniff"], asked
                # With `no-referrer` a browser would not say where a form was sent from.
                form = answer.status_code == 200 and address in PAGES_WITH_FORMS
                told = "same-origin" if form else "no-referrer"
                assert headers.get_list("Referrer-Policy") == [told], asked
                assert len(headers.get_list("Cache-Control")) == 1, asked
                policy = headers["Content-Security-Policy"]
                assert "default-src 'none'" in policy, asked
                assert "frame-ancestors 'none'" in policy, asked
                assert "script-src" not in policy, asked
                assert ("Strict-Transport-Security" in headers) is base.startswith("https"), asked
                assert "Access-Control-Allow-Origin" not in headers, asked
                if headers.get("Content-Type", "").startswith("text/html"):
                    assert "camera=()" in headers["Permissions-Policy"], asked


def test_what_is_of_clients_or_a_secret_is_kept_by_nobody(made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="open"))
    ask("PUT", "/fhir/Patient/there", json=patient("there")).raise_for_status()
    assert ask("GET", "/fhir/Patient/there").headers["Cache-Control"] == "private, no-cache"
    smart = _asking(made(access="smart"))
    for address in ("/access/token", "/access/introspect"):
        assert smart("POST", address).headers["Cache-Control"] == "no-store"


def test_an_answer_keeps_the_policy_that_it_sets_itself(made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="open"))
    ask("PUT", "/fhir/Patient/p", json=patient("p")).raise_for_status()
    composition = {
        "resourceType": "Composition",
        "id": "c",
        "status": "final",
        "title": "Report",
        "type": {"text": "report"},
        "subject": {"reference": "Patient/p"},
        "date": "2026-01-01",
        "author": [{"display": "x"}],
    }
    ask("PUT", "/fhir/Composition/c", json=composition).raise_for_status()
    answer = ask("GET", "/fhir/Composition/c/$document", headers={"Accept": "text/html"})
    assert answer.headers["Content-Type"].startswith("text/html")
    (policy,) = answer.headers.get_list("Content-Security-Policy")
    assert "sandbox" in policy


def _preflight(
    ask: Ask, origin: str, address: str = "/fhir/Patient", **more: str
) -> httpx.Response:
    headers = {"Origin": origin, "Access-Control-Request-Method": "PUT"} | more
    return ask("OPTIONS", address, headers=headers)


def test_pages_elsewhere_are_let_in_by_list(made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="open", cors_origins=f"{APP}, https://b.example:8443"))
    wanted = {"Access-Control-Request-Headers": "authorization, if-match, content-type, prefer"}
    answer = _preflight(ask, APP, **wanted)
    assert answer.status_code == 200
    assert answer.headers["Access-Control-Allow-Origin"] == APP
    assert "PUT" in answer.headers["Access-Control-Allow-Methods"]
    allowed = answer.headers["Access-Control-Allow-Headers"].lower()
    assert all(name in allowed for name in ("authorization", "if-match", "if-none-exist"))
    assert "Origin" in answer.headers["Vary"]
    answer = ask("GET", "/fhir/Patient", headers={"Origin": "https://b.example:8443"})
    assert answer.headers["Access-Control-Allow-Origin"] == "https://b.example:8443"
    told = answer.headers["Access-Control-Expose-Headers"]
    for name in ("Location", "Content-Location", "ETag", "Retry-After", "X-Progress"):
        assert name in told
    assert "Access-Control-Allow-Credentials" not in answer.headers


@pytest.mark.parametrize(
    "origin",
    [
        *("https://evil.example", "https://app.example.evil.example", "http://app.example"),
        *("https://app.example:444", "null", "https://xapp.example", "HTTPS://APP.EXAMPLE"),
    ],
)
def test_no_others(origin: str, made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="open", cors_origins=APP))
    assert "Access-Control-Allow-Origin" not in _preflight(ask, origin).headers
    answer = ask("GET", "/fhir/Patient", headers={"Origin": origin})
    assert "Access-Control-Allow-Origin" not in answer.headers
    assert "Origin" in answer.headers["Vary"]


def test_whoever_asks_the_answer_says_that_it_varies(made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="open", cors_origins=APP))
    assert "Origin" in ask("GET", "/fhir/metadata").headers["Vary"]
    assert "Vary" not in ask("GET", "/").headers


@pytest.mark.parametrize("origins", ["", APP])
def test_the_capability_statement_says_whether_any_are_let_in(
    origins: str, made: Callable[..., FastAPI]
) -> None:
    told = _asking(made(cors_origins=origins))("GET", "/fhir/metadata").json()
    assert told["rest"][0]["security"]["cors"] is bool(origins)


def test_all_may_be_let_in_but_never_with_cookies(made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="smart", cors_origins="*"))
    answer = ask("GET", "/fhir/metadata", headers={"Origin": APP, "Cookie": "session=x"})
    assert answer.headers["Access-Control-Allow-Origin"] in ("*", APP)
    assert "Access-Control-Allow-Credentials" not in answer.headers
    refused = ask("GET", "/fhir/Patient", headers={"Origin": APP})
    # A page has to be able to read why, and how to get in.
    assert (refused.status_code, refused.headers["Access-Control-Allow-Origin"]) == (401, "*")
    assert "WWW-Authenticate" in refused.headers["Access-Control-Expose-Headers"]


def test_pages_for_people_are_for_no_other_page(made: Callable[..., FastAPI]) -> None:
    ask = _asking(made(access="open", cors_origins="*"))
    for address in ("/", "/docs", "/openapi.json"):
        answer = ask("GET", address, headers={"Origin": APP})
        assert "Access-Control-Allow-Origin" not in answer.headers


@pytest.mark.parametrize(
    "text",
    ["app.example", f"{APP}/", f"{APP}/x", "https://", "https://*.example", "ftp://a", "null"],
)
def test_what_is_no_origin_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="origin"):
        origins_in(text)


def test_origins_are_read() -> None:
    text = f"{APP},http://localhost:3000  http://[::1]:80 {APP}"
    assert origins_in(text) == (APP, "http://localhost:3000", "http://[::1]:80")
    assert origins_in("") == ()
