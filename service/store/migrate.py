"""Is the schema the one this version needs, and how does it become so?"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from service.store.connection import BUSY_MS
from service.store.engine import Database

_TURN = 0x68796F69
"""Of PostgreSQL's advisory locks, the one that migrations take turns with."""


def migrate(database: Database) -> list[str]:
    """Bring the schema up to date; returns the revisions that were applied, oldest first.

    In one transaction, and one process after the other: who comes second finds it done. An SQLite
    file that is not there is made, for its owner alone: it will hold records, and the keys that
    sign access tokens.
    """
    config = _config()
    if database.dialect == "sqlite":
        _make_private_file(database)
    with database.engine.connect() as connection:
        # The connections are in autocommit mode, so the transaction is begun and ended by hand.
        if database.dialect == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            connection.exec_driver_sql("BEGIN")
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_MS}")
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_TURN})")
        try:
            before = _revision_of(connection)
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            after = _revision_of(connection)
            connection.exec_driver_sql("COMMIT")
        except BaseException:
            connection.exec_driver_sql("ROLLBACK")
            raise
    if before == after:
        return []
    script = ScriptDirectory.from_config(config)
    applied = script.iterate_revisions(after or "base", before or "base")
    return [revision.revision for revision in applied][::-1]


def _make_private_file(database: Database) -> None:
    # SQLite gives the files that it puts beside it the same mode.
    with suppress(OSError):
        os.close(os.open(database.engine.url.database or "", os.O_CREAT | os.O_EXCL, 0o600))


def is_current(database: Database) -> bool:
    """Whether the schema is the one this version of the service needs."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    with database.engine.connect() as connection:
        return _revision_of(connection) == head


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return config


def _revision_of(connection: object) -> str | None:
    context = MigrationContext.configure(connection)  # type: ignore[arg-type]
    return context.get_current_revision()
