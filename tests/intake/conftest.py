"""A live service on each engine, and a clinic of its own for each test."""

from __future__ import annotations

import uuid
from collections.abc import Iterator

import httpx
import pytest

from service.store.engine import Database
from service.store.migrate import migrate
from tests.conftest import POSTGRES, schema_url
from tests.intake.clinic import Clinic
from tests.live import running_service
from tests.store.searching.conftest import module_database_url, module_store

__all__ = ["module_database_url", "module_store"]


@pytest.fixture(scope="session", params=["sqlite", "postgresql"])
def origin(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """`http://127.0.0.1:PORT` of a process that the tests of this room share."""
    if request.param == "sqlite":
        path = tmp_path_factory.mktemp("intake") / "store.sqlite3"
        with running_service(f"sqlite:///{path}") as base:
            yield base
        return
    if not request.getfixturevalue("_postgres_answers"):
        pytest.skip("PostgreSQL is not reachable")
    with schema_url(POSTGRES) as url:
        database = Database(url)
        migrate(database)
        database.close()
        with running_service(url) as base:
            yield base


@pytest.fixture(scope="session")
def http(origin: str) -> Iterator[httpx.Client]:
    """A client of the live service."""
    with httpx.Client(base_url=origin, timeout=60) as client:
        yield client


@pytest.fixture
def clinic(http: httpx.Client) -> Clinic:
    """A clinic with a client, a therapist, a plan and two orders that no other test knows."""
    found = Clinic(http, uuid.uuid4().hex[:10])
    found.set_up()
    return found
