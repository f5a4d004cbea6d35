"""What do tests stand on? Databases that are made for them and thrown away, and a live service.

Nothing here reads HYOID_DATABASE: a test never touches a configured store. PostgreSQL is looked
for at HYOID_TEST_POSTGRES (by default the local `test` database); each use gets a schema of its
own. Tests that need it are skipped where it does not answer.
"""

from __future__ import annotations

import os
import shutil
import socket
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy.engine import make_url

from tests.live import running_service

if TYPE_CHECKING:
    from service.store.store import Store

POSTGRES = os.environ.get("HYOID_TEST_POSTGRES", "postgresql://root@127.0.0.1:5432/test")


def pytest_configure() -> None:
    """Settings of the machine must not reach a test."""
    for name in [name for name in os.environ if name.startswith("HYOID_")]:
        del os.environ[name]


@contextmanager
def schema_url(server: str) -> Iterator[str]:
    """URL of a new schema of this PostgreSQL, dropped at the end."""
    psycopg = pytest.importorskip("psycopg")
    schema = f"hyoid_test_{uuid.uuid4().hex}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {schema}")
    url = make_url(server).update_query_dict({"options": f"-csearch_path={schema}"})
    yield url.render_as_string(hide_password=False)
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"DROP SCHEMA {schema} CASCADE")


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """An SQLite file that does not exist yet."""
    return f"sqlite:///{tmp_path / 'store.sqlite3'}"


@pytest.fixture(scope="session")
def _postgres_answers() -> bool:
    url = make_url(POSTGRES)
    try:
        socket.create_connection((url.host or "127.0.0.1", url.port or 5432), timeout=1).close()
    except OSError:
        return False
    return True


@pytest.fixture
def postgres_url(_postgres_answers: bool) -> Iterator[str]:
    """An empty PostgreSQL schema, dropped at the end; skips where PostgreSQL is not reachable."""
    if not _postgres_answers:
        pytest.skip("PostgreSQL is not reachable; HYOID_TEST_POSTGRES says where it is")
    with schema_url(POSTGRES) as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest) -> str:
    """The URL of an empty database, once on each engine."""
    name = "sqlite_url" if request.param == "sqlite" else "postgres_url"
    url: str = request.getfixturevalue(name)
    return url


@pytest.fixture(scope="session")
def _migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from service.store.engine import Database
    from service.store.migrate import migrate

    path = tmp_path_factory.mktemp("migrated") / "store.sqlite3"
    database = Database(f"sqlite:///{path}")
    migrate(database)
    database.close()
    return path


@pytest.fixture
def store(database_url: str, request: pytest.FixtureRequest) -> Iterator[Store]:
    """A store with its tables, made by running the migrations; once on each engine."""
    from service.store.engine import Database
    from service.store.migrate import migrate
    from service.store.store import Store

    if database_url.startswith("sqlite"):
        migrated = request.getfixturevalue("_migrated_sqlite")
        shutil.copyfile(migrated, database_url.removeprefix("sqlite:///"))
    database = Database(database_url)
    migrate(database)
    yield Store(database)
    database.close()


@pytest.fixture(scope="session")
def live_service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Base URL (`http://127.0.0.1:PORT`) of a service process that all tests share.

    Each test writes its own resources there and counts on no others being absent.
    """
    path = tmp_path_factory.mktemp("live") / "store.sqlite3"
    with running_service(f"sqlite:///{path}") as base:
        yield base
