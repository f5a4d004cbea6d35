"""Databases that the tests of one file share, since filling them takes longer than searching."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy.engine import make_url

from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.conftest import POSTGRES


@pytest.fixture(scope="module")
def module_store(
    module_database_url: Callable[[str], str],
) -> Iterator[Callable[[str], Store]]:
    """Gives an empty store, made by running the migrations, on one of the engines."""
    opened: list[Database] = []

    def make(engine: str) -> Store:
        opened.append(Database(module_database_url(engine)))
        migrate(opened[-1])
        return Store(opened[-1])

    yield make
    for database in opened:
        database.close()


@pytest.fixture(scope="module")
def module_database_url(
    tmp_path_factory: pytest.TempPathFactory, _postgres_answers: bool
) -> Iterator[Callable[[str], str]]:
    """Gives the URL of an empty database of one of the engines."""
    schemas: list[str] = []

    def make(engine: str) -> str:
        if engine == "sqlite":
            path: Path = tmp_path_factory.mktemp("searching") / "store.sqlite3"
            return f"sqlite:///{path}"
        if not _postgres_answers:
            pytest.skip("PostgreSQL is not reachable; HYOID_TEST_POSTGRES says where it is")
        psycopg = pytest.importorskip("psycopg")
        schemas.append(f"hyoid_test_{uuid.uuid4().hex}")
        with psycopg.connect(POSTGRES, autocommit=True) as connection:
            connection.execute(f"CREATE SCHEMA {schemas[-1]}")
        url = make_url(POSTGRES).update_query_dict({"options": f"-csearch_path={schemas[-1]}"})
        return url.render_as_string(hide_password=False)

    yield make
    if schemas:
        import psycopg

        with psycopg.connect(POSTGRES, autocommit=True) as connection:
            for schema in schemas:
                connection.execute(f"DROP SCHEMA {schema} CASCADE")
