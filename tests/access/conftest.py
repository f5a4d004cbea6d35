"""Access control on a store of each engine."""

from __future__ import annotations

import pytest

from service.access.opening import Access
from service.store.store import Store
from tests.access.integrators import Clock, Integrator, access_at


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def access(store: Store, clock: Clock) -> Access:
    return access_at(store.database, clock)


@pytest.fixture
def lakeside(store: Store) -> Integrator:
    """A system that may read and write everything."""
    integrator = Integrator()
    integrator.registered(store.database)
    return integrator
