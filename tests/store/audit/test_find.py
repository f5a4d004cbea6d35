"""What is found is what a plain look at every row finds, in order, page by page; and no scan."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import pytest

from service.caller import Caller
from service.store.audit.access import NAME, Access
from service.store.audit.find import LATEST, Recorded, Wanted, count, of_own, one, page
from service.store.audit.log import append
from service.store.audit.sent import append_sent, as_sent, sent_access
from service.store.audit.verify import verify
from service.store.caseload import own_client
from service.store.connection import Connection
from service.store.engine import Database
from service.store.store import Store
from service.store.unit import take_turn
from tests.factories.minimal import minimal
from tests.store.searching.recorder import Recorder
from tests.store.searching.test_plans import explained, scans, vacuum

BASE = "http://clinic.example/fhir"
SECOND = 1_000_000


def _crowd(count: int) -> list[Access]:
    chance = random.Random(4)
    accesses = []
    for n in range(count):
        # Times come into the log a little out of order, and some are the same.
        at = (n // 3 * 10 + chance.randrange(40)) * SECOND
        agent = f"a{chance.randrange(3)}"
        clients = tuple(sorted({f"p{chance.randrange(4)}" for _ in range(chance.randrange(3))}))
        target = f"Goal/{chance.randrange(4)}" if chance.random() < 0.5 else ""
        if chance.random() < 0.8:
            accesses.append(Access(at, "read", 200, agent, target=target, clients=clients))
        else:
            early = chance.randrange(min(at // SECOND, 900) + 1)
            told = f"1970-01-01T00:{early // 60:02}:{early % 60:02}Z"
            accesses.append(_sent(at, agent, told, f"a{chance.randrange(4)}", target, clients))
    return accesses


def _sent(
    at: int, sender: str, recorded: str, agent: str, target: str, clients: Sequence[str]
) -> Access:
    """An event that a client sent, later than it says that it happened."""
    names = [*(f"Patient/{client}" for client in clients), *([target] if target else ())]
    who = {"identifier": {"system": "http://x.example", "value": agent}}
    event = minimal("AuditEvent") | {
        "recorded": recorded,
        "agent": [{"requestor": True, "who": who}],
        "entity": [{"what": {"reference": name}} for name in names],
    }
    caller = Caller(sender, reference=f"Device/{sender}")
    return sent_access(as_sent(event, caller), caller, BASE, clients, at)


def _fill(database: Database, accesses: Sequence[Access]) -> list[Recorded]:
    with database.writer() as connection:
        take_turn(connection)
        numbers = [
            append(connection, [access])[0]
            if access.recorded is None
            else append_sent(connection, access)
            for access in accesses
        ]
    return [Recorded(n, access.at, access) for n, access in zip(numbers, accesses, strict=True)]


def _place(row: Recorded, wanted: Wanted) -> tuple[int, int]:
    recorded = row.access.recorded
    return (recorded if wanted.by_date and recorded is not None else row.at, row.n)


def _meets(row: Recorded, wanted: Wanted) -> bool:
    recorded = row.at if row.access.recorded is None else row.access.recorded
    names = {row.access.agent}
    names |= {name.removeprefix(NAME) for name in row.access.found_by if name.startswith(NAME)}
    return (
        wanted.since <= row.at <= wanted.until
        and wanted.earliest <= recorded <= wanted.latest
        and (not wanted.agents or not names.isdisjoint(wanted.agents))
        and all(row.access.references() & set(some) for some in wanted.entities)
        and _place(row, wanted) < wanted.before
    )


PLAIN = [
    Wanted(),
    Wanted(agents=("a1",)),
    Wanted(agents=("a1", "a3")),
    Wanted(agents=("http://x.example|a3",)),
    Wanted(entities=(("Patient/p1",),)),
    Wanted(entities=(("Patient/p1", "Patient/p2"),)),
    Wanted(entities=(("Patient/p1",), ("Goal/1", "Goal/2")), agents=("a0",)),
    Wanted(entities=(("agent Device/a2",),)),
    Wanted(entities=(("Patient/nobody",),)),
    Wanted(agents=("nobody",)),
]
SPAN = (200 * SECOND, 700 * SECOND)
QUESTIONS = [
    *PLAIN,
    *(replace(each, since=SPAN[0], until=SPAN[1]) for each in PLAIN),
    *(replace(each, by_date=True) for each in PLAIN),
    *(replace(each, by_date=True, earliest=SPAN[0], latest=SPAN[1]) for each in PLAIN),
    *(
        replace(each, by_date=True, latest=SPAN[1], since=300 * SECOND, until=1_200 * SECOND)
        for each in PLAIN
    ),
]


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def crowded(request: pytest.FixtureRequest, module_store: Any) -> Database:
    store: Store = module_store(request.param)
    _fill(store.database, _crowd(240))
    return store.database


def _rows(database: Database) -> list[Recorded]:
    """Every row, without the store's own way to find it."""
    with database.reader() as connection:
        found = [one(connection, n) for n in range(1, 241)]
    return [row for row in found if row is not None]


def _pages(connection: Connection, wanted: Wanted, size: int) -> Iterator[list[Recorded]]:
    here = page(connection, wanted, size)
    while here:
        yield here
        here = page(connection, replace(wanted, before=_place(here[-1], wanted)), size)


@pytest.mark.parametrize("wanted", QUESTIONS)
def test_pages_hold_what_a_look_at_every_row_finds(crowded: Database, wanted: Wanted) -> None:
    rows = _rows(crowded)
    assert len(rows) == 240
    expected = [row for row in rows if _meets(row, wanted)]
    expected.sort(key=lambda row: _place(row, wanted), reverse=True)
    with crowded.reader() as connection:
        found = [row for here in _pages(connection, wanted, 7) for row in here]
        assert found == expected
        assert count(connection, wanted) == len(expected)


def test_most_questions_find_something_that_was_sent(crowded: Database) -> None:
    rows = _rows(crowded)
    sent = [row for row in rows if row.access.recorded is not None]
    assert 20 < len(sent) < 100
    silent = [each for each in QUESTIONS if not any(_meets(row, each) for row in sent)]
    assert len(silent) < 16
    assert not verify(crowded).fault


def test_a_row_is_found_by_its_number(database: Database) -> None:
    rows = _fill(database, _crowd(3))
    with database.reader() as connection:
        assert one(connection, 2) == rows[1]
        assert one(connection, 4) is None


_OWN_ROWS = {"walked", "found"}
"""What `page` itself makes in a statement: at most a page a walk."""


@pytest.mark.parametrize("wanted", QUESTIONS)
def test_no_question_scans_the_log(crowded: Database, wanted: Wanted) -> None:
    if crowded.dialect != "sqlite":
        pytest.skip("the plans of PostgreSQL are looked at with more rows")
    with crowded.reader() as connection:
        asked: list[str] = []
        connection.raw.set_trace_callback(asked.append)
        page(connection, wanted, 7)
        connection.raw.set_trace_callback(None)
        plan = [row[3] for row in connection.rows(f"EXPLAIN QUERY PLAN {asked[-1]}")]
    walks = [step for step in plan if step.startswith("SEARCH w USING")]
    assert walks, plan
    # An index whose first column is bound: by what the walk is led, or by time.
    assert all(re.search(r"\((reference=|agent=|at>)\?", step) for step in walks), plan
    scanned = {step.split()[1] for step in plan if step.startswith("SCAN")}
    assert scanned <= _OWN_ROWS, plan
    # The rows of a walk come out of the index in their order: none but those of a page is sorted.
    sorted_rows = [step for step in plan if "FOR ORDER BY" in step]
    assert len(sorted_rows) <= 1, plan


@pytest.fixture(scope="module")
def large(request: pytest.FixtureRequest, module_store: Any) -> Database:
    """Several thousand rows on PostgreSQL, which plans by what it knows of its tables."""
    store: Store = module_store("postgresql")
    # The second half as many of one client and one agent as make an index of them look useless.
    crowd = _crowd(3_000)
    crowd += [
        replace(access, agent="a1", clients=("p1",))
        for access in _crowd(3_000)
        if access.recorded is None
    ]
    _fill(store.database, crowd)
    with store.database.reader() as connection:
        vacuum(connection)
    return store.database


NARROWED = Caller("north", frozenset({"system/*.cruds"}), clients=frozenset({"p1", "p2"}))


@pytest.mark.parametrize("wanted", QUESTIONS)
def test_no_question_scans_a_large_log(large: Database, wanted: Wanted) -> None:
    """On the first page and on a later one, for who sees all clients and for who sees some."""
    own = own_client(NARROWED, "s", "oc.patient")
    assert own is not None
    for allowed in (None, of_own(own, "postgresql")):
        with large.reader() as connection:
            for before in ((LATEST, LATEST), (2_500 * SECOND, 900)):
                recorder = Recorder(connection)
                page(recorder, replace(wanted, allowed=allowed, before=before), 7)
                ((sql, params),) = recorder.asked
                plan = explained(connection, sql, params)
                found = scans("postgresql", [_without_clients(line) for line in plan])
                assert not found, (found, sql, plan)
                # A walk stops when a page is full: nothing that it reads is sorted before.
                assert not _sorted_below_limit(plan), plan


def _without_clients(line: str) -> str:
    """The clients within one row are no table."""
    return line.replace("Function Scan", "Function")


def _sorted_below_limit(plan: list[str]) -> list[str]:
    """Sorts of what lies in a walk; the rows of all walks together are sorted."""
    found = []
    for at, line in enumerate(plan):
        if line.strip().startswith(("->  Sort", "->  Incremental Sort")):
            depth = len(line) - len(line.lstrip())
            above = [each for each in plan[:at] if len(each) - len(each.lstrip()) < depth]
            if sum("Limit" in each for each in above) > 1:
                found.append(line)
    return found
