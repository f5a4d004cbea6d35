"""How fast is a bulk export, and how much memory does it take?

Question: how long from the kick-off to the last byte of the last file, against reading the same
rows with sqlite3 and writing them out? Aim: at most twice as long. Expected: linear in the number
of resources, memory flat (anonymous memory of the serving process, at its peak beyond what it had
before). Control: the bytes that arrive are counted and are those that are stored.
"""

from __future__ import annotations

import http.client
import json
import os
import sqlite3
import subprocess
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from service.standard.codec import encode
from service.standard.meta import stamped
from service.store.engine import Database
from service.store.migrate import migrate
from tests.benchmarks.rounds import in_turns, told, told_ratio
from tests.factories.clinical import observation
from tests.live import HYOID, clean_environment, free_port

pytestmark = pytest.mark.benchmark

SIZES = (100_000, 1_000_000)
_BATCH = 20_000
_READ = (
    "SELECT v.body FROM resource r JOIN version v ON v.seq = r.seq"
    " WHERE r.type = 'Observation' AND r.deleted = 0 ORDER BY r.rid"
)


def _fill(path: Path, size: int) -> None:
    """As the store would, but for the search values: an export does not touch them."""
    database = Database(f"sqlite:///{path}")
    migrate(database)
    database.close()
    with sqlite3.connect(path) as connection:
        for start in range(1, size + 1, _BATCH):
            numbers = range(start, min(start + _BATCH, size + 1))
            rows = [(n, f"o{n}", f"p{n % 5000}", _body(n)) for n in numbers]
            connection.executemany(
                "INSERT INTO version (seq, rid, vid, type, method, updated, body)"
                " VALUES (?, ?, 1, 'Observation', 'PUT', ?, ?)",
                [(n, n, n, body) for n, _, _, body in rows],
            )
            connection.executemany(
                "INSERT INTO resource (rid, type, id, vid, seq, updated, deleted)"
                " VALUES (?, 'Observation', ?, 1, ?, ?, 0)",
                [(n, key, n, n) for n, key, _, _ in rows],
            )
            connection.executemany(
                "INSERT INTO compartment (rid, patient, type) VALUES (?, ?, 'Observation')",
                [(n, client) for n, _, client, _ in rows],
            )
        connection.execute("UPDATE change_clock SET seq = ?, rid = ?, updated = ?", (size,) * 3)


def _body(number: int) -> bytes:
    made = observation(f"o{number}", f"Patient/p{number % 5000}", value=number)
    return encode(stamped(made, f"o{number}", 1, number))


def _with_sqlite3(path: Path, to: Path) -> float:
    started = time.perf_counter()
    connection = sqlite3.connect(path)
    with to.open("wb") as stream:
        for row in connection.execute(_READ):
            stream.write(row[0] + b"\n")
    connection.close()
    return time.perf_counter() - started


def _exported(base: str, kind: str, to: Path, coding: str) -> float:
    """Kick-off, polling, and all files one after the other."""
    started = time.perf_counter()
    parts = urlsplit(base)
    connection = http.client.HTTPConnection(parts.netloc)
    connection.request("GET", f"/fhir/{kind}$export?_type=Observation")
    answer = connection.getresponse()
    answer.read()
    status = answer.headers["Content-Location"]
    assert status, answer.status
    while True:
        connection.request("GET", urlsplit(status).path)
        answer = connection.getresponse()
        content = answer.read()
        if answer.status == 200:
            break
    files = json.loads(content)["output"]
    with to.open("wb") as stream:
        for file in files:
            path = urlsplit(file["url"]).path
            connection.request("GET", path, headers={"Accept-Encoding": coding})
            answer = connection.getresponse()
            while piece := answer.read(1 << 20):
                stream.write(piece)
    took = time.perf_counter() - started
    connection.request("DELETE", urlsplit(status).path)
    connection.getresponse().read()
    connection.close()
    return took


@contextmanager
def _service(path: Path) -> Iterator[tuple[str, int]]:
    port = free_port()
    command = [*HYOID, "serve", "--port", str(port), "--access", "open"]
    process = subprocess.Popen(
        [*command, "--database", f"sqlite:///{path}"],
        env=clean_environment(),
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    process.stdout.readline()
    base = f"http://127.0.0.1:{port}"
    try:
        # At rest only when everything that is read once has been.
        urllib.request.urlopen(f"{base}/fhir/metadata").close()
        time.sleep(3)
        yield base, process.pid
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def _anonymous(pid: int) -> int:
    """Kilobytes of memory of a process that no file stands for."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("RssAnon"):
            return int(line.split()[1])
    raise AssertionError("this system does not tell")


def _own_processor(work: Callable[[], float]) -> float:
    """Seconds of processor time of this process; other work on the machine does not count."""
    before = time.process_time()
    work()
    return time.process_time() - before


def _processor_of(pid: int, work: Callable[[], float]) -> float:
    """The same of the serving process."""
    before = _ticks(pid)
    work()
    return (_ticks(pid) - before) / os.sysconf("SC_CLK_TCK")


def _ticks(pid: int) -> int:
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return int(parts[11]) + int(parts[12])


@contextmanager
def _peak(pid: int, found: list[int]) -> Iterator[None]:
    over = threading.Event()

    def watch() -> None:
        while not over.wait(0.02):
            found.append(_anonymous(pid))

    thread = threading.Thread(target=watch)
    thread.start()
    yield
    over.set()
    thread.join()


@pytest.mark.parametrize("size", SIZES)
def test_export(tmp_path: Path, size: int) -> None:
    path, here, there = tmp_path / "store.sqlite3", tmp_path / "here", tmp_path / "there"
    _fill(path, size)
    with _service(path) as (base, pid):
        memory = [_anonymous(pid)]
        sides = {
            "sqlite3": lambda: size / _with_sqlite3(path, here),
            "export": lambda: size / _exported(base, "", there, "identity"),
            "export of all clients": lambda: size / _exported(base, "Patient/", there, "identity"),
            "export, gzip": lambda: size / _exported(base, "", there, "gzip"),
            "sqlite3, processor": lambda: size / _own_processor(lambda: _with_sqlite3(path, here)),
            "export, processor": lambda: (
                size / _processor_of(pid, lambda: _exported(base, "", there, "identity"))
            ),
        }
        with _peak(pid, memory):
            measured = in_turns(sides, rounds=3 if size <= SIZES[0] else 1)
        told(f"{size:,} resources", measured, "a second")
        for name in ("export", "export of all clients", "export, gzip"):
            told_ratio(measured, name, "sqlite3", "0.5 or more")
        told_ratio(measured, "export, processor", "sqlite3, processor", "0.5 or more")
        print(f"; peak {(max(memory) - memory[0]) / 1024:.0f} MiB more than at rest", end="")
        _exported(base, "", there, "identity")
        assert there.stat().st_size == here.stat().st_size
        assert max(memory) - memory[0] < 40 * 1024
