"""Several processes on one store: three on an SQLite file (two of them the workers of one
service), two on PostgreSQL.

They must behave as one: one wins a race, a condition holds between them, and the order of `seq`
and `meta.lastUpdated` is the order in which a reader comes to see the versions.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest

from service.store.engine import Database
from service.store.migrate import migrate
from tests.factories.clinical import observation, session_bundle
from tests.live import running_service
from tests.store.agreement import disagreements
from tests.store.clients import SESSION_SIZE, Ledger, losses, session_sizes, writing

RACERS = 8


@pytest.fixture
def bases(database_url: str) -> Iterator[list[str]]:
    """Where two services listen."""
    database = Database(database_url)
    migrate(database)
    database.close()
    more = ("--workers", "2") if database_url.startswith("sqlite") else ()
    with ExitStack() as services:
        yield [
            services.enter_context(running_service(database_url, *more)),
            services.enter_context(running_service(database_url)),
        ]


@pytest.fixture
def racers(bases: list[str]) -> Iterator[list[httpx.Client]]:
    """Clients with connections of their own, spread over the processes."""
    with ExitStack() as clients:
        yield [
            clients.enter_context(httpx.Client(base_url=f"{bases[number % 2]}/fhir/", timeout=60))
            for number in range(RACERS)
        ]


def at_once(
    racers: list[httpx.Client], ask: Callable[[httpx.Client], httpx.Response]
) -> list[httpx.Response]:
    """What each is answered when all ask in the same moment."""
    for racer in racers:
        assert racer.get("metadata").status_code == 200  # so that the connection is there
    start = threading.Barrier(len(racers))

    def run(racer: httpx.Client) -> httpx.Response:
        start.wait()
        return ask(racer)

    with ThreadPoolExecutor(len(racers)) as pool:
        return list(pool.map(run, racers))


def test_processes_on_one_store_behave_as_one(
    database_url: str, bases: list[str], racers: list[httpx.Client]
) -> None:
    one_wins_the_next_version(racers)
    one_makes_what_all_would_make_only_once(racers)
    one_session_is_stored_though_all_send_it(racers)
    ledger = Ledger(first=100)
    seen = polled_while_written(bases, database_url, ledger)
    database = Database(database_url)
    with database.reader() as connection:
        stored = connection.rows(
            "SELECT r.type, r.id, v.vid FROM version v JOIN resource r ON r.rid = v.rid"
        )
        assert seen == Counter(f"{kind}/{key}/{vid}" for kind, key, vid in stored)
        assert losses(connection, ledger) == []
        assert set(session_sizes(connection).values()) == {SESSION_SIZE}
        assert disagreements(connection, f"{bases[0]}/fhir") == []
    database.close()
    assert ledger.refused == []


def one_wins_the_next_version(racers: list[httpx.Client]) -> None:
    """R4 http page, #concurrency: the others are told that their version is not current."""
    for vid in range(1, 6):
        racers[0].put("Observation/w-race", json=observation("w-race", value=vid))
        answers = at_once(
            racers,
            lambda racer: racer.put(
                "Observation/w-race",
                json=observation("w-race", value=id(racer)),
                headers={"If-Match": f'W/"{2 * vid - 1}"'},  # noqa: B023
            ),
        )
        assert Counter(answer.status_code for answer in answers) == {200: 1, 412: RACERS - 1}
        (won,) = (answer for answer in answers if answer.status_code == 200)
        assert racers[0].get("Observation/w-race").content == won.content


def one_makes_what_all_would_make_only_once(racers: list[httpx.Client]) -> None:
    """R4 http page, #ccreate."""
    sent = observation(identifier=[{"system": "urn:race", "value": "1"}])
    answers = at_once(
        racers,
        lambda racer: racer.post(
            "Observation", json=sent, headers={"If-None-Exist": "identifier=urn:race|1"}
        ),
    )
    assert Counter(answer.status_code for answer in answers) == {201: 1, 200: RACERS - 1}
    assert len({answer.json()["id"] for answer in answers}) == 1
    racers[0].delete(f"Observation/{answers[0].json()['id']}")


def one_session_is_stored_though_all_send_it(racers: list[httpx.Client]) -> None:
    """A transaction of conditional creates: whole once, and found by the rest."""
    answers = at_once(racers, lambda racer: racer.post("", json=session_bundle(7)))
    assert [answer.status_code for answer in answers] == [200] * RACERS
    made = [entry["response"]["status"][:3] for a in answers for entry in a.json()["entry"]]
    assert Counter(made) == {"201": SESSION_SIZE, "200": SESSION_SIZE * (RACERS - 1)}
    locations = {
        tuple(e["response"]["location"].split("/fhir/")[1] for e in a.json()["entry"])
        for a in answers
    }
    assert len(locations) == 1


def polled_while_written(bases: list[str], database_url: str, ledger: Ledger) -> Counter[str]:
    """How often each version came to a client that asks again and again what is new, while
    clients of both processes write; and that no reader ever sees a gap."""
    seen: Counter[str] = Counter()
    database = Database(database_url)
    with httpx.Client(base_url=f"{bases[1]}/fhir/", timeout=60) as client, ExitStack() as writers:
        for base in bases:
            writers.enter_context(writing(base, ledger, posting=2, putting=0))
        since = ""
        while len(ledger.sessions) < 60:
            since = poll(client, since, seen)
            with database.reader() as connection:
                ((count, last),) = connection.rows("SELECT count(*), max(seq) FROM version")
                assert count == last, "a version came before an earlier one"
        writers.close()
        poll(client, since, seen)
    database.close()
    return seen


def poll(client: httpx.Client, since: str, seen: Counter[str]) -> str:
    """Take in what was written at or after `since`; gives the first instant after it."""
    url = f"_history?_count=200&_since={since}" if since else "_history?_count=200"
    newest = ""
    while url:
        page = client.get(url).json()
        for entry in page.get("entry", []):
            resource, response = entry.get("resource"), entry["response"]
            newest = max(newest, response["lastModified"])
            vid = response["etag"].removeprefix('W/"').removesuffix('"')
            kind, key = entry["fullUrl"].rsplit("/", 2)[1:]
            assert resource is None or resource["meta"]["versionId"] == vid
            seen[f"{kind}/{key}/{vid}"] += 1
        url = next_of(page)
    if not newest:
        return since
    after = datetime.fromisoformat(newest) + timedelta(microseconds=1)
    return after.isoformat(timespec="microseconds").replace("+00:00", "Z")


def next_of(page: dict[str, Any]) -> str:
    """Where the next page is, if there is one."""
    return next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
