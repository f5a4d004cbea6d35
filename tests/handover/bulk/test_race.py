"""Do exports joined by `_since` miss nothing and double nothing while others write?

Two processes on one store, each with clients that write as fast as they can: sessions as
transactions, new versions, deletions and re-creations. Meanwhile exports follow one another, each
`_since` the `transactionTime` of the one before, asked of the two processes in turn. The truth is
in the versions: they never change, so it is told afterwards what each export had to hold.

Outside source: Bulk Data Access 3.0.0, transactionTime and _since.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from itertools import count
from typing import Any

import httpx
import pytest

from service.standard.meta import instant
from service.standard.partial_dates import interval
from service.store.engine import Database
from service.store.migrate import migrate
from tests.factories.clinical import observation, patient
from tests.live import running_service
from tests.rest.exporting import deleted, finished, taken
from tests.store.clients import Ledger, writing

EXPORTS = 8
TYPES = "Patient,Encounter,Procedure,Observation"


@pytest.fixture
def bases(database_url: str) -> Iterator[list[str]]:
    """Where two services listen; their files are small, so that there are many."""
    database = Database(database_url)
    migrate(database)
    database.close()
    with ExitStack() as services:
        yield [services.enter_context(running_service(database_url)) for _ in range(2)]


@contextmanager
def coming_and_going(base: str, key: str) -> Iterator[None]:
    """While the block runs, one Observation is deleted and made again, and moves between two
    clients."""
    over = threading.Event()

    def run() -> None:
        with httpx.Client(base_url=f"{base}/fhir/", timeout=60) as client:
            for number in count():
                if over.is_set():
                    return
                made = observation(key, f"Patient/p{number % 2 + 1}", value=number)
                client.put(f"Observation/{key}", json=made).raise_for_status()
                client.delete(f"Observation/{key}").raise_for_status()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def test_joined_exports_are_the_truth(database_url: str, bases: list[str]) -> None:
    ledger = Ledger()
    held: list[tuple[str, dict[str, Any], list[str]]] = []
    with ExitStack() as stack:
        clients = [
            stack.enter_context(httpx.Client(base_url=f"{base}/fhir/", timeout=60))
            for base in bases
        ]
        for key in ("p1", "p2"):
            clients[0].put(f"Patient/{key}", json=patient(key)).raise_for_status()
        writers = stack.enter_context(ExitStack())
        for number, base in enumerate(bases):
            writers.enter_context(writing(base, ledger, posting=1, putting=2))
            for each in range(2):
                writers.enter_context(coming_and_going(base, f"gone-{number}-{each}"))
        since: dict[str, str] = {}
        for number in range(EXPORTS):
            if number == EXPORTS - 1:
                writers.close()
            asked, other = clients[number % 2], clients[1 - number % 2]
            started = asked.get("$export", params={"_type": TYPES, **since})
            manifest = finished(other, started)
            since = {"_since": manifest["transactionTime"]}
            found = taken(other, manifest), deleted(asked, manifest)
            held.append((manifest["transactionTime"], *found))
    assert ledger.refused == []
    assert len(ledger.sessions) > EXPORTS
    _compare(database_url, held)


def _compare(database_url: str, held: list[tuple[str, dict[str, Any], list[str]]]) -> None:
    database = Database(database_url)
    with database.reader() as connection:
        rows = connection.rows(
            "SELECT r.type, r.id, v.vid, v.updated, v.method FROM version v"
            " JOIN resource r ON r.rid = v.rid ORDER BY v.seq"
        )
    database.close()
    after = -1
    changes = 0
    copy: dict[str, int] = {}
    for time, resources, gone in held:
        until = interval(time)[0]
        assert instant(until) == time
        newest = {
            f"{kind}/{key}": (vid, at, how) for kind, key, vid, at, how in rows if at <= until
        }
        newest = {
            name: told
            for name, told in newest.items()
            if told[1] > after and name.partition("/")[0] in TYPES.split(",")
        }
        alive = {name: vid for name, (vid, _, how) in newest.items() if how != "DELETE"}
        assert {n: int(r["meta"]["versionId"]) for n, r in resources.items()} == alive
        dead = {name for name in newest if name not in alive}
        if after < 0:
            assert gone == []
        else:
            assert sorted(gone) == sorted(dead)
            changes += len(alive) + len(dead)
        copy |= alive
        for name in gone:
            copy.pop(name, None)
        after = until
    assert changes > 100
    final = {f"{kind}/{key}": (vid, how) for kind, key, vid, _, how in rows}
    assert copy == {
        name: vid
        for name, (vid, how) in final.items()
        if how != "DELETE" and name.partition("/")[0] in TYPES.split(",")
    }
