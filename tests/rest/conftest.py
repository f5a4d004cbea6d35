"""A live service on each engine, and a client for it."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest

from service.store.built_in import install_definitions
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.conftest import POSTGRES, schema_url
from tests.live import running_service
from tests.store.searching.conftest import module_database_url, module_store

__all__ = ["module_database_url", "module_store"]


@contextmanager
def live_service_on(request: pytest.FixtureRequest, sqlite_url: str) -> Iterator[str]:
    """A service process on the engine that `request.param` names, and its address."""
    if request.param == "sqlite":
        with running_service(sqlite_url) as base:
            yield base
        return
    if not request.getfixturevalue("_postgres_answers"):
        pytest.skip("PostgreSQL is not reachable")
    with schema_url(POSTGRES) as url:
        database = Database(url)
        migrate(database)
        install_definitions(Store(database))
        database.close()
        with running_service(url) as base:
            yield base


@pytest.fixture(scope="session", params=["sqlite", "postgresql"])
def service_url(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """FHIR base URL of a process that the tests of this room share, once on each engine."""
    path = tmp_path_factory.mktemp("rest") / "store.sqlite3"
    with live_service_on(request, f"sqlite:///{path}") as base:
        yield f"{base}/fhir"


@pytest.fixture(scope="session")
def fhir(service_url: str) -> Iterator[httpx.Client]:
    """A client of the live service; addresses are relative to the FHIR base URL."""
    with httpx.Client(base_url=f"{service_url}/", timeout=30) as client:
        yield client


@pytest.fixture
def name() -> str:
    """An id that no other test uses."""
    return f"t-{uuid.uuid4().hex[:12]}"
