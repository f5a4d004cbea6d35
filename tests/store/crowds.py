"""How does a test bring many writers to the same point, and let the database fail there?"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import Any

from service.store.connection import Connection
from service.store.convoy import Convoy
from service.store.engine import Database

INSERT = "INSERT INTO secret (name, value) VALUES (?, ?)"
BUSY_MS = 20_000


class Watched(Connection):
    """Remembers what was run; `trouble` is called with each statement before it is run."""

    __slots__ = ("said", "trouble")
    said: list[str]
    trouble: Callable[[str], None]

    def run(self, sql: str, params: Any = ()) -> None:
        """One statement."""
        self.said.append(sql)
        self.trouble(sql)
        super().run(sql, params)


class LosesAnswer(Watched):
    """Commits, and then does not come back with the answer."""

    __slots__ = ()

    def run(self, sql: str, params: Any = ()) -> None:
        """One statement."""
        super().run(sql, params)
        if sql == "COMMIT":
            raise sqlite3.OperationalError("the line is dead")


def watched(
    database: Database,
    trouble: Callable[[str], None] = lambda _: None,
    kind: type[Watched] = Watched,
    busy_ms: int = BUSY_MS,
) -> tuple[Convoy, list[str]]:
    """A convoy on connections of this kind, and what is said on them."""
    said: list[str] = []

    def connect() -> Connection:
        pooled = database.engine.raw_connection()
        connection = kind(pooled.driver_connection, database.dialect)
        pooled.detach()
        connection.said, connection.trouble = said, trouble
        return connection

    return Convoy(connect, busy_ms), said


@contextmanager
def closing(convoy: Convoy) -> Iterator[Convoy]:
    """Close its connection at the end."""
    try:
        yield convoy
    finally:
        convoy.close()


def names(database: Database) -> set[str]:
    """What is kept, as another connection sees it."""
    with database.reader() as connection:
        return {row[0] for row in connection.rows("SELECT name FROM secret")}


def keep(convoy: Convoy, name: str) -> str:
    """Keep one name in a unit of its own."""
    with convoy.writer() as connection:
        connection.run(INSERT, (name, b""))
    return name


def crowd(
    convoy: Convoy, works: Sequence[Callable[[], str]], first: str = "first"
) -> list[Future[str]]:
    """Do all these works when every one of them waits for the one that is called `first`."""
    inside, go = threading.Event(), threading.Event()

    def lead() -> str:
        with convoy.writer() as connection:
            connection.run(INSERT, (first, b""))
            inside.set()
            go.wait(30)
        return first

    pool = ThreadPoolExecutor(len(works) + 1)
    futures = [pool.submit(lead)]
    assert inside.wait(30)
    futures += [pool.submit(work) for work in works]
    while convoy._waiting < len(works):
        time.sleep(0.001)
    go.set()
    _, still = wait(futures, timeout=30)
    assert not still, "a writer hangs"
    pool.shutdown()
    return futures


def refusals(futures: list[Future[str]]) -> list[BaseException | None]:
    """What each work was refused with."""
    return [future.exception() for future in futures]
