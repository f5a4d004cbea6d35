"""Callers are held to a rate, each by himself; who is not known yet by address.

RFC 6585, section 4 (429, Retry-After); RFC 6749, section 5.2, for the token endpoint. Through the
whole application, with tokens that it gave.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from typing import Any
from unittest import mock

import anyio
import httpx
import pytest
from fastapi import FastAPI

from service.app import create_app
from service.rest.call import Answer
from service.rest.interactions import INTERACTIONS
from service.rest.routing import interaction_of
from service.rest.weights import weight_of
from service.settings import Settings
from service.store.engine import Database
from service.store.migrate import migrate
from tests.access.integrators import Integrator
from tests.contract.outcomes import refusal
from tests.factories.clinical import patient

BASE = "http://127.0.0.1:8000"
TOKEN = f"{BASE}/access/token"
Ask = Callable[..., httpx.Response]
BURST = 10


def _app(url: str, **settings: Any) -> FastAPI:
    return create_app(Settings(database=url, **settings))


@pytest.fixture
def lakeside(sqlite_url: str) -> Integrator:
    database = Database(sqlite_url)
    migrate(database)
    integrator = Integrator()
    integrator.registered(database)
    Integrator("second", integrator.key).registered(database)
    database.close()
    return integrator


@pytest.fixture
def ask(sqlite_url: str, lakeside: Integrator) -> Iterator[Ask]:
    """Ask an application whose callers have few requests."""
    app = _app(sqlite_url, rate_per_second=1, rate_burst=BURST)
    # Nothing comes back while a test runs.
    app.fhir._limits._clock = lambda: 1.0  # type: ignore[attr-defined]
    yield _asking(app)
    app.fhir.service.store.database.close()  # type: ignore[attr-defined]


def _asking(app: FastAPI) -> Ask:
    def send(method: str, address: str, client: str = "192.0.2.1", **options: Any) -> Any:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app, client=(client, 1))
            async with httpx.AsyncClient(transport=transport, base_url=BASE) as asking:
                return await asking.request(method, address, **options)

        return anyio.run(once)

    return send


def _token(ask: Ask, system: Integrator, client: str = "198.51.100.9") -> dict[str, str]:
    form = system.form(time.time(), "system/*.cruds", aud=TOKEN)
    answer = ask("POST", TOKEN, client, data=form)
    assert answer.status_code == 200, answer.text
    return {"Authorization": f"Bearer {answer.json()['access_token']}"}


def _until_refused(ask: Ask, *asked: Any, **options: Any) -> int:
    for number in range(100):
        answer = ask(*asked, **options)
        if answer.status_code == 429:
            assert int(answer.headers["Retry-After"]) >= 1
            return number
    raise AssertionError("never refused")


def test_a_caller_has_his_burst_wherever_he_asks_from(ask: Ask, lakeside: Integrator) -> None:
    mine = _token(ask, lakeside)
    for number in range(BURST):
        answer = ask("GET", "/fhir/Patient/x", f"192.0.2.{number}", headers=mine)
        assert answer.status_code == 404
    answer = ask("GET", "/fhir/Patient/x", "192.0.2.200", headers=mine)
    assert refusal(answer)[0]["code"] == "throttled"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    # A new token is no new account.
    again = _token(ask, lakeside, "198.51.100.10")
    assert ask("GET", "/fhir/Patient/x", headers=again).status_code == 429
    assert ask("POST", "/intake/sessions", headers=mine, json={}).status_code == 429
    other = _token(ask, Integrator("second", lakeside.key))
    assert ask("GET", "/fhir/Patient/x", headers=other).status_code == 404


def test_what_costs_more_counts_more(ask: Ask, lakeside: Integrator) -> None:
    mine = _token(ask, lakeside)
    bundle = {"resourceType": "Bundle", "type": "batch"}
    assert _until_refused(ask, "POST", "/fhir", headers=mine, json=bundle) == BURST // 5


def _bundle(kind: str, count: int) -> dict[str, Any]:
    if kind == "batch":
        entries = [{"request": {"method": "GET", "url": "Patient/x"}}] * count
    else:
        entry = {"resource": patient(), "request": {"method": "POST", "url": "Patient"}}
        entries = [entry] * count
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


@pytest.mark.parametrize(
    ("kind", "count", "cost"),
    [("batch", 7, 7), ("batch", 300, 300), ("transaction", 15, 5), ("transaction", 300, 60)],
)
def test_a_bundle_counts_by_its_entries_but_is_never_too_large_for_the_rate(
    ask: Ask, lakeside: Integrator, kind: str, count: int, cost: int
) -> None:
    mine = _token(ask, lakeside)
    assert ask("POST", "/fhir", headers=mine, json=_bundle(kind, count)).status_code == 200
    left = BURST - cost
    for number in range(max(left, 0)):
        assert ask("GET", "/fhir/Patient/x", headers=mine).status_code == 404, number
    refused = ask("GET", "/fhir/Patient/x", headers=mine)
    assert refused.status_code == 429
    assert int(refused.headers["Retry-After"]) == 1 - min(left, 0)  # One comes in each second.


def test_one_caller_leaves_threads_to_the_others(sqlite_url: str, lakeside: Integrator) -> None:
    app = _app(sqlite_url, threads=4)
    tokens = [
        _token(_asking(app), system) for system in (lakeside, Integrator("second", lakeside.key))
    ]
    free = threading.Event()
    handlers = {"search-type": lambda *_: Answer(200) if free.wait(30) else Answer(500)}

    async def asked() -> list[int]:
        transport = httpx.ASGITransport(app, client=("192.0.2.1", 1))
        async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            statuses: list[int] = []

            async def ask(address: str, headers: dict[str, str]) -> None:
                statuses.append((await client.get(address, headers=headers)).status_code)

            async with anyio.create_task_group() as tasks:
                for _ in range(9):
                    tasks.start_soon(ask, "/fhir/Patient", tokens[0])
                await anyio.sleep(0.3)
                with anyio.fail_after(10):
                    await ask("/fhir/Patient/x/_history", tokens[1])
                free.set()
            return statuses

    with mock.patch.dict(INTERACTIONS, handlers):
        assert anyio.run(asked) == [404] + [200] * 9
    app.fhir.service.store.database.close()  # type: ignore[attr-defined]


def test_who_is_not_let_in_is_counted_by_address(ask: Ask) -> None:
    forged = {"Authorization": "Bearer forged"}
    assert _until_refused(ask, "GET", "/fhir/Patient", headers=forged) == BURST
    assert ask("GET", "/fhir/metadata").status_code == 429
    assert ask("GET", "/fhir/Nowhere").status_code == 429
    assert ask("GET", "/fhir/Patient", "192.0.2.2").status_code == 401


def test_guesses_at_the_token_endpoint_are_few(ask: Ask, lakeside: Integrator) -> None:
    form = {"grant_type": "client_credentials"}
    assert _until_refused(ask, "POST", TOKEN, data=form) == BURST // 5
    answer = ask("POST", TOKEN, data=form)
    assert answer.json()["error"] == "temporarily_unavailable"
    assert answer.headers["Cache-Control"] == "no-store"
    assert _token(ask, lakeside, "192.0.2.77")


def test_an_address_of_ipv6_is_its_network(ask: Ask) -> None:
    asked = [
        ask("GET", "/docs", f"2001:db8:1:2::{number:x}").status_code for number in range(BURST + 1)
    ]
    assert asked == [200] * BURST + [429]
    assert ask("GET", "/docs", "2001:db8:1:3::1").status_code == 200


def test_probes_are_answered_all_the_same(ask: Ask) -> None:
    assert {ask("GET", "/health/live").status_code for _ in range(3 * BURST)} == {200}


def test_the_intake_without_a_token_is_counted_by_address(ask: Ask) -> None:
    assert _until_refused(ask, "POST", "/intake/sessions", json={}) == BURST


def test_only_so_many_at_once(sqlite_url: str, lakeside: Integrator) -> None:
    app = _app(sqlite_url, rate_per_second=0, requests_at_once=3)
    mine = _token(_asking(app), lakeside)

    async def many() -> list[int]:
        statuses: list[int] = []
        arrived, go_on = anyio.Event(), anyio.Event()

        async def body() -> Any:
            arrived.set()
            yield b'{"resourceType":'
            await go_on.wait()
            yield b'"Patient"}'

        transport = httpx.ASGITransport(app, client=("192.0.2.1", 1))
        async with httpx.AsyncClient(transport=transport, base_url=BASE, headers=mine) as client:

            async def slow() -> None:
                headers = {"Content-Type": "application/fhir+json"}
                answer = await client.post("/fhir/Patient", content=body(), headers=headers)
                statuses.append(answer.status_code)

            async with anyio.create_task_group() as tasks:
                for _ in range(3):
                    tasks.start_soon(slow)
                await anyio.sleep(0.3)
                refused = await client.get("/fhir/Patient/x")
                assert refused.status_code == 429
                assert refused.headers["Retry-After"] == "1"
                go_on.set()
            statuses.append((await client.get("/fhir/Patient/x")).status_code)
        return statuses

    assert anyio.run(many) == [201, 201, 201, 404]
    app.fhir.service.store.database.close()  # type: ignore[attr-defined]


def test_without_access_control_there_is_no_limit(sqlite_url: str, lakeside: Integrator) -> None:
    app = _app(sqlite_url, access="open", rate_per_second=1, rate_burst=1, requests_at_once=1)
    ask = _asking(app)
    assert {ask("GET", "/fhir/Patient/x").status_code for _ in range(20)} == {404}
    app.fhir.service.store.database.close()  # type: ignore[attr-defined]


def test_weights() -> None:
    assert weight_of(interaction_of("GET", ("Patient", "1"))) == 1
    assert weight_of(interaction_of("GET", ("$export",))) > weight_of(
        interaction_of("GET", ("Patient", "1", "$everything"))
    )
