"""How does Patient/[id]/$everything grow with the record?

Expected: linearly, whatever else is in the store; a page of 100 costs the same in a large record
as in a small one. Control: the records lie in one store, mixed with one another.
"""

from __future__ import annotations

import time
import urllib.request
from functools import partial
from pathlib import Path
from statistics import median

import pytest

from service.caller import ANONYMOUS
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.benchmarks.rounds import in_turns
from tests.factories.clinical import observation, patient
from tests.live import running_service

pytestmark = pytest.mark.benchmark

SIZES = (100, 1_000, 10_000)


def _fill(url: str) -> None:
    database = Database(url)
    migrate(database)
    store = Store(database)
    base = "http://bench.example/fhir"
    for start in range(0, max(SIZES), 500):
        with store.write(ANONYMOUS) as unit:
            for number in range(start, start + 500):
                for size in SIZES:
                    if number < size:
                        key = f"o{size}-{number}"
                        resource = observation(key, f"Patient/p{size}", value=number)
                        unit.append(resource, key, base, method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        for size in SIZES:
            key = f"p{size}"
            unit.append(patient(key), key, base, method="PUT", current=None)
    database.close()


def _seconds(url: str) -> float:
    started = time.perf_counter()
    with urllib.request.urlopen(url) as answer:
        answer.read()
    return time.perf_counter() - started


def test_everything(tmp_path: Path) -> None:
    database_url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    _fill(database_url)
    with running_service(database_url) as base:
        for what, query in (("whole", ""), ("page of 100", "?_count=100")):
            measured = in_turns(
                {
                    f"p{size}": partial(_seconds, f"{base}/fhir/Patient/p{size}/$everything{query}")
                    for size in SIZES
                }
            )
            times = {size: median(measured[f"p{size}"]) for size in SIZES}
            print(f"\n$everything, {what}:", end=" ")
            print(", ".join(f"{n:,}: {times[n] * 1000:.1f} ms" for n in SIZES), end="")
            growth = times[10_000] / times[1_000]
            print(f"; tenfold the record costs {growth:.1f} times", end="")
            assert growth < (20 if not query else 3)
