"""Does $progress over a five-year plan stay under a second, and linear in the plan?

Expected: time grows with the number of Observations of the plan (twice as many, about twice the
time), not with the rest of the store; 1,000 sessions with 20,000 Observations take less than a
second of processor time on one core (the clock on the wall would tell of the neighbours too).
Control: the same plan with 10,000 other Observations in the store.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.rest.call import Call, Service
from service.rest.progress import show_progress
from service.rest.routing import Interaction
from service.settings import Settings
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.factories.course import long_course

pytestmark = pytest.mark.benchmark


def _fill(store: Store, resources: Iterable[dict[str, Any]]) -> None:
    batch: list[dict[str, Any]] = []
    for resource in resources:
        batch.append(resource)
        if len(batch) == 2000:
            _write(store, batch)
            batch = []
    _write(store, batch)


def _write(store: Store, batch: list[dict[str, Any]]) -> None:
    with store.write(ANONYMOUS) as unit:
        for resource in batch:
            unit.append(resource, resource["id"], "http://x/fhir", method="PUT", current=None)


def _seconds(store: Store, name: str, form: str = "parameters") -> float:
    service = Service(store, Settings(database="sqlite:///unused"), b"")
    call = Call(
        "GET",
        ("CarePlan", name, "$progress"),
        (("format", form),),
        {},
        b"",
        "http://x/fhir",
        ANONYMOUS,
        store.reader,
    )
    best = float("inf")
    for _ in range(3):
        begun = time.process_time()
        answer = show_progress(
            service, call, Interaction("operation", "CarePlan", name, "$progress")
        )
        best = min(best, time.process_time() - begun)
    assert answer.status == 200
    return best


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_progress_is_linear_in_the_plan(
    engine: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    url = f"sqlite:///{tmp_path}/b.sqlite3"
    if engine == "postgresql":
        url = request.getfixturevalue("postgres_url")
    database = Database(url)
    migrate(database)
    store = Store(database)
    for name, sessions in (("small", 250), ("half", 500), ("whole", 1000)):
        _fill(store, long_course(name, sessions, 20))
    times = {name: _seconds(store, name) for name in ("small", "half", "whole")}
    forms = {form: _seconds(store, "whole", form) for form in ("bundle", "report")}
    _fill(store, long_course("others", 500, 20))
    crowded = _seconds(store, "half")
    print(f"\n{engine}: seconds for 5,000, 10,000 and 20,000 Observations:", end=" ")
    print(", ".join(f"{seconds:.3f}" for seconds in times.values()))
    print(f"  twice the plan: {times['whole'] / times['half']:.2f} times the time")
    print(f"  as a bundle {forms['bundle']:.3f}, as a report {forms['report']:.3f}")
    print(f"  with 10,000 more Observations of others: {crowded / times['half']:.2f} times")
    database.close()
