"""What does an access token cost?

Question: reads a second under `--access smart` with one token, and with one of a thousand in
turn, against reads of the same resources under `--access open`. Expected: 0.85 or more, since a
token is verified once and then remembered. Control: both services stand on the same SQLite file
and serve the same Observations to the same client. Besides, how many tokens a second are given.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from urllib.parse import urlencode

import pytest

from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.access.integrators import Integrator
from tests.benchmarks.load import rate, request
from tests.benchmarks.rounds import in_turns, told, told_ratio
from tests.factories.clinical import observation
from tests.live import UNLIMITED, free_port, running_service

pytestmark = pytest.mark.benchmark

RESOURCES = 200
CLIENTS = 4


def test_read_with_a_token(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    port = free_port()
    lakeside = _prepared(url)
    with (
        running_service(url) as open_base,
        running_service(url, access="smart", port=port, env=UNLIMITED) as smart_base,
    ):
        tokens = [_token(lakeside, smart_base) for _ in range(1000)]
        addresses = [f"/fhir/Observation/b{number}" for number in range(RESOURCES)]
        asked = {
            "open": [request("GET", open_base + each) for each in addresses],
            "smart": [_with(tokens[0], smart_base + each) for each in addresses],
            "many": [
                _with(token, smart_base + addresses[number % RESOURCES])
                for number, token in enumerate(tokens)
            ],
        }
        sides: dict[str, Callable[[], float]] = {
            name: partial(
                rate,
                open_base if name == "open" else smart_base,
                requests,
                clients=CLIENTS,
                seconds=1,
            )
            for name, requests in asked.items()
        }
        measured = in_turns(sides)
        given = _given(lakeside, smart_base)
    told(f"read, {CLIENTS} clients", measured, "a second")
    told_ratio(measured, "smart", "open", "0.85 or more")
    told_ratio(measured, "many", "open", "0.8 or more")
    print(f"\ntokens given: {given:,.0f} a second")


def _prepared(url: str) -> Integrator:
    from service.caller import ANONYMOUS

    database = Database(url)
    migrate(database)
    lakeside = Integrator()
    lakeside.registered(database)
    with Store(database).write(ANONYMOUS) as unit:
        for number in range(RESOURCES):
            sent = observation(f"b{number}", value=number, note=[{"text": "x" * 500}])
            unit.append(sent, f"b{number}", "http://x/fhir", method="PUT", current=None)
    database.close()
    return lakeside


def _form(lakeside: Integrator, base: str) -> dict[str, str]:
    return lakeside.form(time.time(), aud=f"{base}/access/token")


def _token(lakeside: Integrator, base: str) -> str:
    import httpx

    answer = httpx.post(f"{base}/access/token", data=_form(lakeside, base)).raise_for_status()
    token: str = answer.json()["access_token"]
    return token


def _with(token: str, url: str) -> bytes:
    return request("GET", url, b"", f"Authorization: Bearer {token}")


def _given(lakeside: Integrator, base: str) -> float:
    forms = [urlencode(_form(lakeside, base)).encode() for _ in range(1500)]
    kind = b"application/x-www-form-urlencoded"
    asked = [
        request("POST", f"{base}/access/token", form).replace(b"application/fhir+json", kind, 1)
        for form in forms
    ]
    return rate(base, asked, clients=CLIENTS, seconds=1)
