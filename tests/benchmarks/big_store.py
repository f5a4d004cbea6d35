"""A store of any size: clients with measures of twenty codes over a year, from a rule."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from service.caller import ANONYMOUS
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.factories.clinical import observation, patient

BASE = "http://bench.example/fhir"
CODES = 20
EACH = 200
"""Measures of one client: ten of each code."""

_BATCH = 5_000
_START = datetime(2026, 1, 1, tzinfo=UTC)


def build(url: str, observations: int) -> None:
    """Fill an empty store: as many clients as it takes, measured in turn."""
    database = Database(url)
    migrate(database)
    store = Store(database)
    clients = observations // EACH
    for start in range(0, clients, _BATCH):
        with store.write(ANONYMOUS) as unit:
            for number in range(start, min(start + _BATCH, clients)):
                key = f"p{number}"
                made = patient(key, family=f"Sandberg {number}")
                unit.append(made, key, BASE, method="PUT", current=None)
    for start in range(0, observations, _BATCH):
        with store.write(ANONYMOUS) as unit:
            for number in range(start, min(start + _BATCH, observations)):
                made = _measure(number, clients)
                unit.append(made, f"o{number}", BASE, method="PUT", current=None)
    database.close()


def _measure(number: int, clients: int) -> dict[str, Any]:
    turn = number // clients
    when = _START + timedelta(hours=turn * 24 + number % 24)
    return observation(
        f"o{number}",
        f"Patient/p{number % clients}",
        value=(number * 7919) % 1000 / 10,
        code=f"measure-{turn % CODES}",
        when=when.isoformat().replace("+00:00", "Z"),
    )
