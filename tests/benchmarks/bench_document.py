"""Does a document grow with the client's record, and with nothing else?

Expected: twice the sessions, about twice the time, to write a document and to give it again; the
same with 20,000 resources of other clients beside. Control: the same references, each leading to
an Encounter that is not there, so that every Observation has to be parsed and its reference taken
out.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.rest.call import Call, Service
from service.rest.document import show_document
from service.rest.routing import Interaction
from service.settings import Settings
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.factories.clinical import encounter
from tests.factories.course import long_course

pytestmark = pytest.mark.benchmark

BASE = "http://x/fhir"
Resource = dict[str, Any]


def _fill(store: Store, resources: Iterable[Resource]) -> None:
    found = list(resources)
    for start in range(0, len(found), 2000):
        with store.write(ANONYMOUS) as unit:
            for one in found[start : start + 2000]:
                unit.append(one, one["id"], BASE, method="PUT", current=None)


def _course(name: str, sessions: int) -> Iterable[Resource]:
    yield from long_course(name, sessions, 4)
    for number in range(sessions + 10):
        yield encounter(f"Patient/c-{name}") | {"id": f"{name}-{number}"}


def _seconds(service: Service, path: tuple[str, ...], query: tuple[tuple[str, str], ...]) -> float:
    method = "POST" if query else "GET"
    key = path[1] if len(path) == 3 else None

    def ask() -> int:
        call = Call(method, path, query, {}, b"", BASE, ANONYMOUS, service.store.reader)
        asked = Interaction("operation", "Composition", key, "$document")
        return len(show_document(service, call, asked).body)

    return _best(ask)


def _best(ask: Callable[[], int]) -> float:
    best = float("inf")
    for _ in range(3):
        begun = time.process_time()
        assert ask() > 1000
        best = min(best, time.process_time() - begun)
    return best


def _key(store: Store, name: str) -> str:
    with store.reader() as connection:
        row = connection.row(
            "SELECT r.id FROM resource r JOIN compartment k ON k.rid = r.rid"
            " WHERE k.patient = ? AND k.type = 'Composition'",
            (f"c-{name}",),
        )
    assert row is not None
    return str(row[0])


def test_document_grows_with_the_record(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path / 'store.sqlite3'}")
    migrate(database)
    store = Store(database)
    service = Service(store, Settings(database="sqlite:///unused"), b"")
    for name, sessions in (("few", 250), ("double", 500)):
        _fill(store, _course(name, sessions))
    _fill(store, long_course("lost", 500, 4))

    def measure(name: str) -> tuple[float, float]:
        written = _seconds(service, ("Composition", "$document"), (("plan", name),))
        again = _seconds(service, ("Composition", _key(store, name), "$document"), ())
        return written, again

    few, double, lost = measure("few"), measure("double"), measure("lost")
    for number in range(8):
        _fill(store, _course(f"other-{number}", 450))
    beside = measure("double")
    for place, what in enumerate(("written", "given again")):
        print(
            f"\n{what}: 250 sessions {few[place]:.3f} s, 500 sessions {double[place]:.3f} s"
            f" ({double[place] / few[place]:.2f} times), with others beside"
            f" {beside[place] / double[place]:.2f} times, references that lead nowhere"
            f" {lost[place] / double[place]:.2f} times"
        )
    database.close()
