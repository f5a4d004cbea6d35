"""What does it cost to see only a part of the store?

Expected: who is narrowed by type alone pays nothing; by a restriction, by clients or by ties at
most twice as much for a read or a search in a client's record, on a large store as on a small one.
Control: the same questions by a caller who may do everything, in turns.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.caller import ANONYMOUS, Caller
from service.store.engine import Database
from service.store.store import Store
from tests.access.asking import Asking
from tests.benchmarks.big_store import EACH, build
from tests.benchmarks.rounds import in_turns, ratio
from tests.factories.clinical import patient
from tests.store.keeping import put

pytestmark = pytest.mark.benchmark

SIZES = {"small": 10_000, "large": 100_000}
CLINIC = 40
TIMES = 60
CODE = "https://hyoid.example/fhir/CodeSystem/measure|measure-3"
QUESTIONS = {
    "read": "Observation/o3",
    "search by client and code": f"Observation?patient=p3&code={CODE}",
    "newest of a client": "Observation?patient=p3&_sort=-date&_count=20",
    "search by code": f"Observation?code={CODE}&_count=20",
    "chained": f"Observation?subject:Patient.family=Sandberg%203&code={CODE}&_count=20",
    "with the client": f"Observation?patient=p3&code={CODE}&_include=Observation:subject",
}
ALL = ANONYMOUS.scopes
CALLERS = {
    "by type": Caller("t", frozenset({"system/Observation.rs", "system/Patient.rs"})),
    "restricted": Caller(
        "r", frozenset({"system/Observation.rs?category=therapy", "system/Patient.rs"})
    ),
    "clients": Caller("c", ALL, frozenset(f"p{n}" for n in range(CLINIC))),
    "tied": Caller("o", ALL, tied=frozenset({"Organization/o", "Practitioner/x"})),
}


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Asking]]:
    """A store of each size, in which some clients are of one organisation."""
    folder: Path = tmp_path_factory.mktemp("stores")
    askers = {}
    for name, size in SIZES.items():
        url = f"sqlite:///{folder / name}.sqlite3"
        build(url, size)
        store = Store(Database(url))
        for number in range(min(CLINIC, size // EACH)):
            organization = {"reference": "Organization/o"}
            family = f"Sandberg {number}"
            put(store, patient(f"p{number}", family, managingOrganization=organization))
        askers[name] = Asking(store)
    yield askers
    for asker in askers.values():
        asker.close()
        asker.store.database.close()


def timed(ask: Asking, caller: Caller, address: str) -> Callable[[], float]:
    def one_round() -> float:
        started = time.perf_counter()
        for _ in range(TIMES):
            assert ask(caller, "GET", address).status == 200
        return time.perf_counter() - started

    return one_round


@pytest.mark.parametrize("question", QUESTIONS)
def test_cost_of_seeing_a_part(services: dict[str, Asking], question: str) -> None:
    for size, ask in services.items():
        sides = {"open": timed(ask, ANONYMOUS, QUESTIONS[question])}
        sides |= {name: timed(ask, who, QUESTIONS[question]) for name, who in CALLERS.items()}
        found = in_turns(sides, rounds=3)
        told = ", ".join(f"{name} {ratio(found, name, 'open'):.2f}" for name in CALLERS)
        each = sorted(found["open"])[1] / TIMES * 1000
        print(f"\n{question}, {size}: open {each:.2f} ms; {told} times that", end="", flush=True)
