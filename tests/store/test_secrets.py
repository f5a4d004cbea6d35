"""Random keys that all processes of a store share."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from service.store.engine import Database
from service.store.secrets import shared_secret
from service.store.store import Store


def test_a_key_is_made_once_and_kept(store: Store, database_url: str) -> None:
    made = shared_secret(store.database, "cursor")
    assert len(made) == 32
    other = Database(database_url)
    assert shared_secret(other, "cursor") == made
    assert shared_secret(other, "another") != made
    other.close()


def test_processes_that_start_together_get_the_same(database_url: str, store: Store) -> None:
    databases = [Database(database_url) for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        made = set(pool.map(lambda database: shared_secret(database, "new"), databases))
    assert len(made) == 1
    for database in databases:
        database.close()
