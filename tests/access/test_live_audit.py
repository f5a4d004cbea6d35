"""Whatever was answered is on record exactly once, whenever the service is killed.

A service of its own, of two processes that serve, under load by several clients is killed
(SIGKILL), started again, and its log compared with what the clients were told.
"""

from __future__ import annotations

import os
import signal
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from service.access.recording import Recording
from service.caller import ANONYMOUS
from service.errors import Unavailable
from service.store.audit.access import Access
from service.store.audit.find import Wanted, page
from service.store.audit.verify import verify
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.access.asking import asking
from tests.factories.clinical import patient
from tests.factories.minimal import minimal
from tests.live import HYOID, free_port, hyoid_here, running_service, started

_CLIENTS = 4
_SECONDS = 2.0


class Load:
    """Clients that read and write until they are stopped; what they were told."""

    def __init__(self, base: str) -> None:
        self._base = base
        self._ending = threading.Event()
        self.reads: list[str] = []
        self.refused: list[str] = []
        self.writes: dict[str, str] = {}
        self.sent: set[str] = set()
        self._threads = [threading.Thread(target=self._go_on) for _ in range(_CLIENTS)]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        self._ending.set()
        for thread in self._threads:
            thread.join()

    def _go_on(self) -> None:
        with httpx.Client(base_url=f"{self._base}/fhir/", timeout=5) as client:
            while not self._ending.is_set():
                key = uuid.uuid4().hex
                headers = {"X-Request-Id": key}
                self.sent.add(key)
                try:
                    if len(self.sent) % 6 == 0:
                        assert client.get("Goal/none", headers=headers).status_code == 404
                        self.refused.append(key)
                    elif len(self.sent) % 3:
                        client.get("Patient/p", headers=headers).raise_for_status()
                        self.reads.append(key)
                    else:
                        made = client.post("Goal", json=minimal("Goal"), headers=headers)
                        made.raise_for_status()
                        self.writes[key] = made.json()["id"]
                except httpx.TransportError:
                    return


def logged(database: Database) -> list[Access]:
    with database.reader() as connection:
        return [row.access for row in page(connection, Wanted(), 1_000_000)]


def test_all_that_was_answered_is_on_record_after_a_kill(database_url: str, tmp_path: Path) -> None:
    spool = tmp_path / "spool"
    env = {"HYOID_AUDIT_SPOOL": str(spool)}
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    command = [*HYOID, "serve", "--port", str(port), "--database", database_url]
    command += ["--access", "open", "--workers", "2"]
    assert hyoid_here("migrate", "--database", database_url).returncode == 0
    with started(command, tmp_path, env) as process:
        _wait(f"{base}/health/ready")
        _wait_for(lambda: len(list(spool.iterdir())) == 2)
        httpx.put(f"{base}/fhir/Patient/p", json=minimal("Patient", "p")).raise_for_status()
        load = Load(base)
        time.sleep(_SECONDS)
        _wait_for(lambda: bool(load.reads and load.refused and load.writes))
        killed = [process.pid, *_children(process.pid)]
        for each in killed:
            os.kill(each, signal.SIGKILL)
        process.wait()
        load.stop()
    assert len(killed) > 2
    assert load.refused
    assert load.reads
    assert load.writes
    assert len(list(spool.iterdir())) > 1, "what was not yet taken in is left, of each process"
    with started(command, tmp_path, env) as process:
        _wait(f"{base}/health/ready")
        time.sleep(1.5)
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    assert not list(spool.iterdir())
    database = Database(database_url)
    try:
        rows = logged(database)
        times = Counter(row.request for row in rows if row.request)
        for key in (*load.reads, *load.refused, *load.writes):
            assert times[key] == 1
        assert set(times) <= load.sent
        assert set(times.values()) == {1}
        with database.reader() as connection:
            kept = {
                row[0] for row in connection.rows("SELECT id FROM resource WHERE type = 'Goal'")
            }
        told = {
            name.split("/")[1] for row in rows for name in row.changed if name.startswith("Goal/")
        }
        assert told == kept
        assert set(load.writes.values()) <= kept
        assert not verify(database).fault
    finally:
        database.close()


def test_where_nothing_can_be_put_on_record_nothing_is_shown(
    sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full: the answer to a read is a refusal, and no data."""
    database = Database(sqlite_url)
    migrate(database)
    with asking(Store(database), access="open") as ask:
        assert ask(ANONYMOUS, "PUT", "Patient/p", patient("p")).status == 201
        assert ask(ANONYMOUS, "GET", "Patient/p").status == 200

        def full(self: Recording, access: Access) -> None:
            raise Unavailable("The access cannot be put on record, and so is not answered")

        monkeypatch.setattr(Recording, "record", full)
        told = ask(ANONYMOUS, "GET", "Patient/p")
        assert told.status == 503
        assert told.json()["resourceType"] == "OperationOutcome"
    database.close()


def test_intake_is_on_record(sqlite_url: str) -> None:
    with running_service(sqlite_url) as base:
        for body, status in ((b"{", 400), (b'{"sessions": []}', None)):
            answer = httpx.post(
                f"{base}/intake/sessions",
                content=body,
                headers={"Content-Type": "application/json", "X-Request-Id": f"i{status}"},
            )
            if status:
                assert answer.status_code == status
    database = Database(sqlite_url)
    rows = logged(database)
    database.close()
    assert {row.request: row.interaction for row in rows if row.request} == {
        "i400": "intake",
        "iNone": "intake",
    }


def _children(process: int) -> list[int]:
    """Its child processes (proc(5) of Linux)."""
    return [
        int(each) for each in Path(f"/proc/{process}/task/{process}/children").read_text().split()
    ]


def _wait(address: str) -> None:
    def is_ready() -> bool:
        try:
            return httpx.get(address).status_code == 200
        except httpx.TransportError:
            return False

    _wait_for(is_ready)


def _wait_for(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < end, "not ready"
        time.sleep(0.1)
