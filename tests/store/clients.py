"""Clients that write as fast as they can, and remember what they were told."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import count

import httpx

from service.store.connection import Connection
from tests.factories.clinical import SESSIONS, observation, session_bundle

SESSION_SIZE = 15


class Ledger:
    """What was sent and what was acknowledged, over any number of services and crashes."""

    def __init__(self, first: int = 0) -> None:
        self.numbers = count(first)
        self.sent: list[int] = []
        """Sessions that were posted, whatever became of them."""
        self.sessions: dict[int, bytes] = {}
        """Sessions that were acknowledged, with the answer."""
        self.versions: dict[tuple[str, int], bytes] = {}
        """Observations that were put: id and version number that were told, with the answer."""
        self.refused: list[str] = []
        """Answers that were none of success. A cut connection is none."""

    def post_session(self, client: httpx.Client, number: int) -> None:
        """One session, with the resources in the answer."""
        self.sent.append(number)
        answer = client.post(
            "", json=session_bundle(number), headers={"Prefer": "return=representation"}
        )
        if answer.status_code == 200:
            self.sessions[number] = answer.content
        else:
            self.refused.append(answer.text)

    def put_observation(self, client: httpx.Client, key: str, value: int) -> None:
        """The next version of one Observation."""
        answer = client.put(f"Observation/{key}", json=observation(key, value=value))
        if answer.status_code in (200, 201):
            vid = int(answer.headers["ETag"].removeprefix('W/"').removesuffix('"'))
            self.versions[key, vid] = answer.content
        else:
            self.refused.append(answer.text)


@contextmanager
def writing(base: str, ledger: Ledger, *, posting: int = 2, putting: int = 2) -> Iterator[None]:
    """While the block runs, some clients post sessions and some put their own Observation.

    They end with the block, or when the service does not answer any more.
    """
    over = threading.Event()

    def post() -> None:
        with _client(base) as client, suppress(httpx.TransportError):
            while not over.is_set():
                ledger.post_session(client, next(ledger.numbers))

    def put(key: str) -> None:
        with _client(base) as client, suppress(httpx.TransportError):
            for value in count():
                if over.is_set():
                    return
                ledger.put_observation(client, key, value)

    threads = [threading.Thread(target=post) for _ in range(posting)]
    threads += [threading.Thread(target=put, args=(f"w{place}",)) for place in range(putting)]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()


def _client(base: str) -> httpx.Client:
    return httpx.Client(base_url=f"{base}/fhir/", timeout=60)


def losses(connection: Connection, ledger: Ledger) -> list[str]:
    """What was acknowledged and is not there as it was told, and sessions that are half there."""
    stored = {
        (key, vid): bytes(body)
        for key, vid, body in connection.rows(
            "SELECT r.id, v.vid, v.body FROM version v JOIN resource r ON r.rid = v.rid"
            " WHERE v.body IS NOT NULL"
        )
    }
    found = [
        f"Observation/{key} version {vid}"
        for (key, vid), body in ledger.versions.items()
        if stored.get((key, vid)) != body
    ]
    sizes = session_sizes(connection)
    for number, answer in ledger.sessions.items():
        if sizes.get(number) != SESSION_SIZE:
            found.append(f"session {number} has {sizes.get(number)} resources")
        for entry in json.loads(answer)["entry"]:
            _, key, _, vid = entry["response"]["location"].rsplit("/", 3)
            if b'"resource":' + stored.get((key, int(vid)), b"?") not in answer:
                found.append(f"session {number} lacks {entry['response']['location']}")
    found += [f"session {number} is half there" for number in sizes if sizes[number] % SESSION_SIZE]
    return found


def session_sizes(connection: Connection) -> dict[int, int]:
    """How many resources are there of each session, by the identifiers in their bytes."""
    sizes: dict[int, int] = {}
    for (body,) in connection.rows(
        "SELECT v.body FROM resource r JOIN version v ON v.seq = r.seq"
        " WHERE r.type IN ('Encounter', 'Procedure', 'Observation') AND r.id NOT LIKE 'w%'"
        " AND v.body IS NOT NULL"
    ):
        (identifier,) = json.loads(bytes(body))["identifier"]
        assert identifier["system"] == SESSIONS
        number = int(identifier["value"].split("-")[1])
        sizes[number] = sizes.get(number, 0) + 1
    return sizes
