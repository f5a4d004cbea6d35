"""What does the audit log cost a read, and a write?

`python -m tests.benchmarks.bench_audit`: in one run, alternately with and without; CPU time of the
whole process, so that the draining thread counts. Prints the ratios.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from statistics import median
from typing import Any

from service.access.gate import OpenGate
from service.access.recording import Recording
from service.caller import ANONYMOUS
from service.rest.call import Service
from service.rest.fhir_app import FhirApp
from service.settings import Settings
from service.store.audit import log
from service.store.audit.access import Access
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.factories.clinical import observation, patient

ROUNDS, REQUESTS = 11, 1_500


class Unrecorded:
    """A recording that keeps nothing."""

    def record(self, access: Access) -> None:
        """Nothing."""


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{folder}/store.sqlite3")
        migrate(database)
        store = Store(database)
        with store.write(ANONYMOUS) as unit:
            for resource in (patient("p"), observation("o", patient="Patient/p")):
                unit.append(resource, resource["id"], "x", method="PUT", current=None)
        recording = Recording(database, Path(folder) / "spool")
        recording.start()
        service = Service(store, Settings(access="open", rate_per_second=0), b"key")
        apps = {
            "without": FhirApp(service, OpenGate(), Unrecorded()),  # type: ignore[arg-type]
            "with": FhirApp(service, OpenGate(), recording),
        }
        asyncio.run(_compare("read", apps, recording, "/fhir/Observation/o", b""))
        recording.stop()
        _writes(store)
        database.close()


async def _compare(
    name: str,
    apps: dict[str, FhirApp],
    recording: Recording,
    path: str,
    query: bytes,
) -> None:
    spent: dict[str, list[float]] = {each: [] for each in apps}
    for _ in range(ROUNDS):
        for each, app in apps.items():
            start = time.process_time()
            for _ in range(REQUESTS):
                await _ask(app, path, query)
            if each == "with":
                # What was recorded goes into the log within the time that is counted.
                recording.take_in()
            spent[each].append((time.process_time() - start) / REQUESTS * 1e6)
    middle = {each: median(times) for each, times in spent.items()}
    ratio = middle["with"] / middle["without"]
    print(f"{name}: {middle['without']:.0f} µs without, {middle['with']:.0f} µs with, x{ratio:.3f}")


async def _ask(app: FhirApp, path: str, query: bytes) -> None:
    scope: dict[str, Any] = {
        "type": "http",
        "method": "GET",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query,
        "client": ("127.0.0.1", 1),
        "headers": [(b"host", b"127.0.0.1"), (b"x-request-id", b"0123456789abcdef")],
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        pass

    receiver: Callable[[], Coroutine[Any, Any, dict[str, Any]]] = receive
    await app(scope, receiver, send)


def _writes(store: Store) -> None:
    """A unit of one resource, with its row of the log and without."""
    original = log.append
    spent: dict[str, list[float]] = {"without": [], "with": []}
    for _ in range(ROUNDS):
        for each in spent:
            log.append = original if each == "with" else (lambda *_: [0])  # type: ignore[assignment]
            start = time.process_time()
            for _ in range(200):
                with store.write(ANONYMOUS) as unit:
                    current = unit.current("Observation", "o")
                    body = observation("o", patient="Patient/p")
                    unit.append(body, "o", "x", method="PUT", current=current)
            spent[each].append((time.process_time() - start) / 200 * 1e6)
    log.append = original
    middle = {each: median(times) for each, times in spent.items()}
    ratio = middle["with"] / middle["without"]
    print(f"write: {middle['without']:.0f} µs without, {middle['with']:.0f} µs with, x{ratio:.3f}")


if __name__ == "__main__":
    main()
