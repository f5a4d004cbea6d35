"""Which random keys do all processes of this store share? Made once, kept in the database."""

from __future__ import annotations

import secrets

from service.store.engine import Database

_SELECT = "SELECT value FROM secret WHERE name = ?"


def shared_secret(database: Database, name: str) -> bytes:
    """32 random bytes, the same for every process in front of this database."""
    with database.reader() as connection:
        row = connection.row(_SELECT, (name,))
    if row is None:
        with database.writer() as connection:
            connection.run(
                "INSERT INTO secret (name, value) VALUES (?, ?) ON CONFLICT (name) DO NOTHING",
                (name, secrets.token_bytes(32)),
            )
            row = connection.row(_SELECT, (name,))
    assert row is not None
    return bytes(row[0])
