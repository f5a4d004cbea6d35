"""Does a search cost more where the store is larger?

Expected: at most 1.5 times as much on 1,000,000 Observations as on 10,000, though each code was
measured on a few days of the year only; 2.5 times where resources of one day are sorted by a
second key, for a day has so many more. Control: both stores hold clients of the
same kind, so that the answers are of the same size; it is printed where they are not.
BENCH_OBSERVATIONS makes the large store another size: a million take a few minutes and 4 GB.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path
from statistics import median
from urllib.parse import quote, urlsplit

import pytest

from tests.benchmarks.big_store import build
from tests.benchmarks.rounds import in_turns, ratio
from tests.live import running_service

pytestmark = pytest.mark.benchmark

SMALL = 10_000
TIMES = 7
LARGE = int(os.environ.get("BENCH_OBSERVATIONS", "1000000"))

CODE = quote("https://hyoid.example/fhir/CodeSystem/measure|measure-3")
QUESTIONS = {
    "by client and code": f"Observation?patient=p17&code={CODE}",
    "by client and code, newest first": f"Observation?patient=p17&code={CODE}&_sort=-date",
    "by client, newest 20": "Observation?patient=p17&_sort=-date&_count=20",
    "by client, in a month": "Observation?patient=p17&date=ge2026-03-01&date=lt2026-04-01",
    "by code, 20": f"Observation?code={CODE}&_count=20",
    "by code, newest 20": f"Observation?code={CODE}&_sort=-date&_count=20",
    "by code and value, 20": f"Observation?code={CODE}&value-quantity=gt90&_count=20",
    "by code and value, newest 20": (
        f"Observation?code={CODE}&value-quantity=gt90&_sort=-date&_count=20"
    ),
    "by code in a month, newest 20": (
        f"Observation?code={CODE}&date=ge2026-03-01&date=lt2026-04-01&_sort=-date&_count=20"
    ),
    "by code, oldest 20, of a day by id": f"Observation?code={CODE}&_sort=date,_id&_count=20",
    "by status and code, 20": f"Observation?status=final&code={CODE}&_count=20",
    "by value set, newest 20": (
        "Observation?category:in=http://hl7.org/fhir/ValueSet/observation-category"
        "&_sort=-date&_count=20"
    ),
    "by day, 20": "Observation?date=2026-03-04&_count=20",
    "newest 20 of all": "Observation?_sort=-date&_count=20",
    "client with all measures": "Patient?_id=p17&_revinclude=Observation:subject",
    "measures and their client": (
        f"Observation?patient=p17&code={CODE}&_include=Observation:subject"
    ),
    "client by name": "Patient?family=Sandberg%2017&_count=5",
    "how many of a client": "Observation?patient=p17&_summary=count",
    "last values of a client": "Observation/$lastn?patient=Patient/p17&category=therapy",
}


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A service on each store."""
    folder: Path = tmp_path_factory.mktemp("stores")
    urls = {name: f"sqlite:///{folder / name}.sqlite3" for name in ("small", "large")}
    started = time.perf_counter()
    build(urls["small"], SMALL)
    build(urls["large"], LARGE)
    print(f"\nbuilt {SMALL:,} and {LARGE:,} in {time.perf_counter() - started:,.0f} s", end="")
    with running_service(urls["small"]) as small, running_service(urls["large"]) as large:
        yield {"small": f"{small}/fhir", "large": f"{large}/fhir"}


class _Asker:
    """One keep-alive connection that asks one question."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self.target = f"{parts.path}?{parts.query}"
        self.connection = HTTPConnection(parts.netloc)
        self.entries = len(json.loads(self.answer()).get("entry", ()))

    def answer(self) -> bytes:
        """What is answered. Raises AssertionError on a refusal."""
        self.connection.request("GET", self.target)
        answer = self.connection.getresponse()
        body = answer.read()
        assert answer.status == 200, body[:1000]
        return body

    def milliseconds(self) -> float:
        """The best of a few, which other processes disturb least."""
        times = []
        for _ in range(TIMES):
            started = time.perf_counter()
            self.answer()
            times.append(time.perf_counter() - started)
        return min(times) * 1000


@pytest.mark.parametrize("question", QUESTIONS)
def test_search(services: dict[str, str], question: str) -> None:
    askers = {name: _Asker(f"{base}/{QUESTIONS[question]}") for name, base in services.items()}
    measured = in_turns({name: asker.milliseconds for name, asker in askers.items()})
    times = ", ".join(f"{name} {median(measured[name]):.2f} ms" for name in askers)
    entries = " and ".join(str(asker.entries) for asker in askers.values())
    print(f"\n{question}: {times}; large/small {ratio(measured, 'large', 'small'):.2f}", end="")
    print(f" ({entries} entries)", end="", flush=True)
    for asker in askers.values():
        asker.connection.close()
