"""What does a client learn of a fault inside? A number to tell the keeper, and nothing else."""

from __future__ import annotations

import logging
import re
import sqlite3
from collections.abc import Callable, Iterator
from typing import Any

import anyio
import httpx
import pytest
from fastapi import FastAPI

from service.app import create_app
from service.errors import Conflict
from service.rest.call import Answer
from service.rest.interactions import INTERACTIONS
from service.settings import Settings
from service.store.connection import Connection
from service.store.engine import Database
from service.store.migrate import migrate
from tests.contract.outcomes import refusal
from tests.factories.clinical import patient

Ask = Callable[..., httpx.Response]

SECRET = "password=hunter2 in /etc/hyoid.conf"


@pytest.fixture
def app(sqlite_url: str) -> Iterator[FastAPI]:
    """The whole application, in this process."""
    database = Database(sqlite_url)
    migrate(database)
    database.close()
    found = create_app(Settings(database=sqlite_url, access="open"))
    yield found
    found.fhir.service.store.database.close()  # type: ignore[attr-defined]


@pytest.fixture
def ask(app: FastAPI) -> Ask:
    """Ask it; an exception that leaves it fails the test."""

    def send(method: str, address: str, **options: Any) -> httpx.Response:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://localhost/fhir/"
            ) as client:
                return await client.request(method, address, **options)

        return anyio.run(once)

    return send


def _failing(*_: Any) -> Answer:
    raise RuntimeError(SECRET)


@pytest.mark.parametrize(
    ("interaction", "method", "address"),
    [
        ("capabilities", "GET", "metadata"),
        ("read", "GET", "Patient/a"),
        ("vread", "GET", "Patient/a/_history/1"),
        ("search-type", "GET", "Patient"),
        ("create", "POST", "Patient"),
        ("delete", "DELETE", "Patient/a"),
        ("transaction", "POST", ""),
    ],
)
def test_a_fault_gives_a_number_and_no_secret(
    interaction: str,
    method: str,
    address: str,
    ask: Ask,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setitem(INTERACTIONS, interaction, _failing)
    with caplog.at_level(logging.ERROR, "hyoid"):
        answer = ask(method, address)
    assert answer.status_code == 500
    (issue,) = refusal(answer)
    assert (issue["severity"], issue["code"]) == ("fatal", "exception")
    for hidden in ("hunter2", "RuntimeError", "Traceback", ".py"):
        assert hidden not in answer.text
    number = re.search("[0-9a-f]{16}", issue["details"]["text"])
    assert number is not None
    assert number.group() in caplog.text
    assert SECRET in caplog.text


def test_every_fault_has_a_number_of_its_own(ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(INTERACTIONS, "read", _failing)
    assert ask("GET", "Patient/a").text != ask("GET", "Patient/a").text


def test_a_fault_in_an_entry_of_a_batch_is_told_the_same_way(
    ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(INTERACTIONS, "read", _failing)
    entry = {"request": {"method": "GET", "url": "Patient/a"}}
    answer = ask("POST", "", json={"resourceType": "Bundle", "type": "batch", "entry": [entry]})
    assert answer.status_code == 500
    assert refusal(answer)
    assert "hunter2" not in answer.text


def test_a_fault_in_the_middle_of_a_transaction_stores_nothing(
    ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(INTERACTIONS, "read", _failing)
    entries = [
        {"resource": patient("a"), "request": {"method": "PUT", "url": "Patient/a"}},
        {"request": {"method": "GET", "url": "Patient/a"}},
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    assert ask("POST", "", json=bundle).status_code == 500
    monkeypatch.undo()
    assert ask("GET", "Patient/a").status_code == 404
    assert ask("POST", "", json=bundle).status_code == 200


@pytest.mark.parametrize("address", ["Patient/a", "Patient", "_history", "Patient/a/$everything"])
def test_trouble_with_the_database_is_told_as_passing(
    address: str, ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> Any:
        raise sqlite3.OperationalError(SECRET)

    for name in ("row", "rows", "run"):
        monkeypatch.setattr(Connection, name, broken)
    answer = ask("GET", address)
    assert answer.status_code == 503
    assert refusal(answer)[0]["code"] == "transient"
    assert "hunter2" not in answer.text


def test_a_refusal_from_deep_inside_keeps_its_status(
    ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refusing(*_: Any) -> Answer:
        raise Conflict("taken", headers={"X-Told": "yes"})

    monkeypatch.setitem(INTERACTIONS, "read", refusing)
    answer = ask("GET", "Patient/a")
    assert (answer.status_code, answer.headers["X-Told"]) == (409, "yes")


def test_no_answer_is_guessed_to_be_of_another_type(ask: Ask) -> None:
    for address in ("metadata", "Patient/a", "Nothing"):
        answer = ask("GET", address)
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "private" in answer.headers["Cache-Control"]
