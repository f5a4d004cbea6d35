"""What does the audit log cost a read, and a write?

`python -m tests.benchmarks.bench_audit`. A read over HTTP: two services that differ in nothing but
that one keeps no trail of a request and records nothing, asked alternately for the same 200
Observations of 200 clients by the same four connections. Processor time of the whole service
process, until some time after the last answer, so that what a thread does later for the log counts.
A write: a unit of one resource in process, alternately with its row of the log and without.
Expected: a read costs less than 1.15 times as much.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from service.caller import ANONYMOUS
from service.errors import HyoidError
from service.rest import fhir_app
from service.rest.fhir_app import FhirApp
from service.rest.responses import refused
from service.settings import Settings
from service.store.audit import log
from service.store.audit.trail import Trail
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.benchmarks.load import rate, request
from tests.benchmarks.rounds import in_turns, told, told_ratio
from tests.factories.clinical import observation, patient
from tests.live import ROOT, clean_environment, free_port

CLIENTS, SECONDS, ROUNDS = 200, 1.5, 7
_LATER = 2.6
"""Seconds after which all is in the log."""
_NOTHING = Trail()


class Unrecorded(FhirApp):
    """The FHIR base URL without the audit log."""

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer one request."""
        try:
            answer = await self._answer(scope, receive, _NOTHING)
        except HyoidError as error:
            answer = refused(error)
        finally:
            self._limits.leave(scope.get("hyoid.turn"))
        await fhir_app._send(answer, send, with_body=True)


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        _reads(Path(folder))
        database = Database(_filled(Path(folder) / "writes.sqlite3"))
        _writes(Store(database))
        database.close()
    print()


def _reads(folder: Path) -> None:
    with ExitStack() as services:
        sides: dict[str, Callable[[], float]] = {}
        for name in ("without", "with"):
            url = _filled(folder / f"{name}.sqlite3")
            process, base = services.enter_context(_service(name, url))
            sides[name] = partial(_microseconds, process, base)
        measured = in_turns(sides, ROUNDS)
    told("read over HTTP", measured, "µs of processor time")
    told_ratio(measured, "with", "without", "below 1.15")


def _microseconds(process: int, base: str) -> float:
    asked = [request("GET", f"{base}/fhir/Observation/o{n}") for n in range(CLIENTS)]
    start, began = _processor(process), time.perf_counter()
    answers = rate(base, asked, seconds=SECONDS) * SECONDS
    time.sleep(_LATER - (time.perf_counter() - began - SECONDS))
    return (_processor(process) - start) / answers * 1e6


def _processor(process: int) -> float:
    """Seconds that a process has spent, of all its threads (clock_getcpuclockid of Linux)."""
    return time.clock_gettime((~process << 3) | 2)


def _filled(path: Path) -> str:
    url = f"sqlite:///{path}"
    database = Database(url)
    migrate(database)
    with Store(database).write(ANONYMOUS) as unit:
        for n in range(CLIENTS):
            sent = observation(f"o{n}", patient=f"Patient/p{n}", note=[{"text": "x" * 500}])
            for resource in (patient(f"p{n}"), sent):
                unit.append(resource, resource["id"], "x", method="PUT", current=None)
    database.close()
    return url


@contextmanager
def _service(side: str, database: str) -> Iterator[tuple[int, str]]:
    port = free_port()
    command = [sys.executable, "-m", "tests.benchmarks.bench_audit", side, database, str(port)]
    process = subprocess.Popen(command, cwd=ROOT, env=clean_environment())
    base = f"http://127.0.0.1:{port}"
    try:
        _wait(f"{base}/health/ready")
        yield process.pid, base
    finally:
        process.terminate()
        process.wait()


def _wait(url: str) -> None:
    for _ in range(600):
        try:
            urllib.request.urlopen(url).read()
            return
        except OSError:
            time.sleep(0.1)
    raise AssertionError("not ready")


def serve(side: str, database: str, port: str) -> None:
    """One of the two services."""
    from service import app
    from service.commands._listening import listening, one_process

    if side == "without":
        app.FhirApp = Unrecorded  # type: ignore[attr-defined]
        fhir_app.note_asked = lambda *_: None  # type: ignore[attr-defined]
    settings = Settings(database=database, access="open", port=int(port))
    with listening(settings) as listener:
        one_process(settings).run(sockets=[listener])


def _writes(store: Store) -> None:
    """A unit of one resource, with its row of the log and without."""
    original = log.append
    spent: dict[str, list[float]] = {"without": [], "with": []}
    for _ in range(ROUNDS):
        for each in spent:
            log.append = original if each == "with" else (lambda *_: [0])
            start = time.process_time()
            for _ in range(200):
                with store.write(ANONYMOUS) as unit:
                    current = unit.current("Observation", "o0")
                    body = observation("o0", patient="Patient/p0")
                    unit.append(body, "o0", "x", method="PUT", current=current)
            spent[each].append((time.process_time() - start) / 200 * 1e6)
    log.append = original
    told("write", spent, "µs of processor time")
    told_ratio(spent, "with", "without", "about 1.2")


if __name__ == "__main__":
    if sys.argv[1:]:
        serve(*sys.argv[1:])
    else:
        main()
