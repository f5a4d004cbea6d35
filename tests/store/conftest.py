"""Stores for the tests of this room."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store


@contextmanager
def _migrated(url: str) -> Iterator[Store]:
    database = Database(url)
    migrate(database)
    yield Store(database)
    database.close()


@pytest.fixture
def sqlite_store(sqlite_url: str) -> Iterator[Store]:
    """A store on SQLite."""
    with _migrated(sqlite_url) as store:
        yield store


@pytest.fixture
def postgres_store(postgres_url: str) -> Iterator[Store]:
    """A store on PostgreSQL."""
    with _migrated(postgres_url) as store:
        yield store


@pytest.fixture
def database(store: Store) -> Database:
    """A database with its tables; once on each engine."""
    return store.database
