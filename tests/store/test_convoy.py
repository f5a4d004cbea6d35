"""Writers that share commits: all that was acknowledged is kept, and nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial

import pytest

from service.errors import NotFound, Unavailable
from service.store.convoy import LONGEST
from service.store.engine import Database
from tests.store.crowds import INSERT, closing, crowd, keep, names, refusals, watched


def test_a_block_ends_when_another_connection_can_see_what_it_wrote(database: Database) -> None:
    seen: list[bool] = []

    def work(writer: int) -> None:
        for number in range(15):
            name = f"{writer}-{number}"
            with database.writer() as connection:
                connection.run(INSERT, (name, b""))
            seen.append(name in names(database))

    threads = [threading.Thread(target=work, args=(writer,)) for writer in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert seen == [True] * 90


def test_sqlite_flushes_every_commit(sqlite_url: str) -> None:
    database = Database(sqlite_url)
    with database.writer() as connection:
        # https://www.sqlite.org/pragma.html#pragma_synchronous: FULL is 2
        assert connection.row("PRAGMA synchronous") == (2,)
        assert connection.row("PRAGMA journal_mode") == ("wal",)
    database.close()


def test_who_waits_shares_the_commit_of_the_first(database: Database) -> None:
    convoy, said = watched(database)
    with closing(convoy):
        works = [partial(keep, convoy, f"n{number}") for number in range(6)]
        futures = crowd(convoy, works)
    assert refusals(futures) == [None] * 7
    assert said.count("COMMIT") == 1
    assert names(database) == {"first", *(f"n{number}" for number in range(6))}


def test_one_commit_takes_no_more_than_the_longest_convoy(database: Database) -> None:
    convoy, said = watched(database)
    with closing(convoy):
        many = LONGEST + 8
        futures = crowd(convoy, [partial(keep, convoy, f"n{number}") for number in range(many)])
    assert refusals(futures) == [None] * (many + 1)
    runs = "".join("C" if sql == "COMMIT" else "i" for sql in said if sql in ("COMMIT", INSERT))
    assert [len(run) for run in runs.split("C")[:-1]] == [LONGEST, many + 1 - LONGEST]


def test_a_unit_that_fails_leaves_nothing_and_does_not_touch_the_others(
    database: Database,
) -> None:
    def broken(name: str, error: BaseException | None) -> str:
        with database.writer() as connection:
            connection.run(INSERT, (name, b""))
            if error is not None:
                raise error
            connection.run("INSERT INTO nowhere VALUES (1)")
        return name

    convoy = database._convoy
    works: list[Callable[[], str]] = [
        partial(keep, convoy, "a"),
        lambda: broken("x", NotFound("no")),
        partial(keep, convoy, "b"),
        lambda: broken("y", None),
        lambda: broken("z", ZeroDivisionError()),
        partial(keep, convoy, "c"),
    ]
    futures = crowd(convoy, works)
    kinds = [type(error) for error in refusals(futures)]
    assert kinds == [
        type(None), type(None), NotFound, type(None), Unavailable, ZeroDivisionError, type(None),
    ]  # fmt: skip
    assert names(database) == {"first", "a", "b", "c"}


def test_only_units_that_failed_leave_no_commit(database: Database) -> None:
    convoy, said = watched(database)
    with closing(convoy), suppress(NotFound), convoy.writer() as connection:
        connection.run(INSERT, ("x", b""))
        raise NotFound("no")
    assert "COMMIT" not in said
    assert names(database) == set()


def test_interrupted_by_the_keyboard_it_leaves_nothing_and_goes_on(database: Database) -> None:
    def interrupted() -> None:
        with database.writer() as connection:
            connection.run(INSERT, ("x", b""))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    keep(database._convoy, "after")
    assert names(database) == {"after"}
