"""What is found is what a plain look at every row finds, in order, page by page; and no scan."""

from __future__ import annotations

import random
import re

import pytest

from service.store.audit.access import Access
from service.store.audit.find import Recorded, Wanted, count, one, page
from service.store.audit.log import append
from service.store.engine import Database
from service.store.store import Store
from service.store.unit import take_turn


def _crowd(count: int) -> list[Access]:
    chance = random.Random(4)
    return [
        Access(
            # Times come into the log a little out of order, and some are the same.
            at=n // 3 * 10 + chance.randrange(40),
            interaction="read",
            status=200,
            agent=f"a{chance.randrange(3)}",
            target=f"Goal/{chance.randrange(4)}" if chance.random() < 0.5 else "",
            clients=tuple(sorted({f"p{chance.randrange(4)}" for _ in range(chance.randrange(3))})),
        )
        for n in range(count)
    ]


def _fill(database: Database, accesses: list[Access]) -> list[Recorded]:
    with database.writer() as connection:
        take_turn(connection)
        numbers = append(connection, accesses)
    return [Recorded(n, access.at, access) for n, access in zip(numbers, accesses, strict=True)]


def _meets(row: Recorded, wanted: Wanted) -> bool:
    return (
        wanted.since <= row.at <= wanted.until
        and (not wanted.agents or row.access.agent in wanted.agents)
        and all(row.access.references() & set(some) for some in wanted.entities)
        and (row.at, row.n) < wanted.before
    )


QUESTIONS = [
    Wanted(),
    Wanted(since=200, until=700),
    Wanted(agents=("a1",)),
    Wanted(agents=("a1", "a2"), since=300),
    Wanted(entities=(("Patient/p1",),)),
    Wanted(entities=(("Patient/p1", "Patient/p2"),), until=500),
    Wanted(entities=(("Patient/p1",), ("Goal/1", "Goal/2")), agents=("a0",)),
    Wanted(entities=(("Patient/nobody",),)),
    Wanted(agents=("nobody",)),
]


@pytest.mark.parametrize("wanted", QUESTIONS)
def test_pages_hold_what_a_look_at_every_row_finds(database: Database, wanted: Wanted) -> None:
    rows = _fill(database, _crowd(240))
    expected = sorted(
        (row for row in rows if _meets(row, wanted)), key=lambda row: (row.at, row.n), reverse=True
    )
    found: list[Recorded] = []
    with database.reader() as connection:
        while True:
            before = (found[-1].at, found[-1].n) if found else wanted.before
            here = page(
                connection,
                Wanted(wanted.entities, wanted.agents, wanted.since, wanted.until, before),
                7,
            )
            if not here:
                break
            found += here
    assert found == expected


def test_a_row_is_found_by_its_number(database: Database) -> None:
    rows = _fill(database, _crowd(3))
    with database.reader() as connection:
        assert one(connection, 2) == rows[1]
        assert one(connection, 4) is None


_OWN_ROWS = {"walked", "found"}
"""What `page` itself makes in a statement: at most a page a walk."""


@pytest.mark.parametrize("wanted", QUESTIONS)
def test_no_question_scans_the_log(sqlite_store: Store, wanted: Wanted) -> None:
    database = sqlite_store.database
    _fill(database, _crowd(5))
    with database.reader() as connection:
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


@pytest.mark.parametrize("wanted", QUESTIONS)
def test_the_count_is_that_of_a_look_at_every_row(database: Database, wanted: Wanted) -> None:
    rows = _fill(database, _crowd(240))
    with database.reader() as connection:
        assert count(connection, wanted) == sum(_meets(row, wanted) for row in rows)
