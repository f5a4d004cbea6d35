"""How does a command open its store, and what may a user have got wrong with it?

A wrong URL, a driver that is not installed, a server that is down, a file that is no database,
tables that are missing or belong to a newer version: each is one line, never a stack trace.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic.util import CommandError
from sqlalchemy.exc import SQLAlchemyError

from service.caller import Caller
from service.commands._telling import MISUSED, RefusedError, complain
from service.errors import HyoidError
from service.store.built_in import install_definitions
from service.store.engine import Database
from service.store.migrate import is_current, migrate
from service.store.store import Store
from service.therapy.cautions.rules import rules
from service.therapy.techniques import catalogue

OPERATOR = Caller("command line", frozenset({"system/*.cruds"}))
"""Whoever runs a command on the store itself may do everything with it."""


@contextmanager
def opened_store(url: str, *, create: bool = False) -> Iterator[Store]:
    """A store whose tables are current, closed at the end.

    The tables of an SQLite file are brought up to date here; those of PostgreSQL are left to
    `hyoid migrate`. With `create`, an SQLite file that is not there is made.
    """
    database = database_at(url)
    try:
        if database.dialect == "sqlite":
            if not create:
                _require_file(database)
            applied_migrations(database)
        else:
            _require_current(database)
        yield Store(database)
    finally:
        database.close()


def bring_up_to_date(url: str) -> None:
    """Make or update the tables of an SQLite file, and the definitions of mappings/ in it.

    Those of PostgreSQL are left to `hyoid migrate`; its tables must be current.
    """
    _require_readable_rules()
    with opened_store(url, create=True) as store:
        if store.database.dialect == "sqlite":
            installed_definitions(store.database)


def database_at(url: str) -> Database:
    """The database of a URL; nothing is opened yet."""
    try:
        return Database(url)
    except ValueError as error:
        raise RefusedError(f"--database: {error}", MISUSED) from None
    except ModuleNotFoundError as error:
        raise RefusedError(
            f"PostgreSQL needs {error.name}, which is not installed: pip install 'psycopg[binary]'"
        ) from None


def applied_migrations(database: Database) -> list[str]:
    """Bring the tables up to date; the revisions that were applied."""
    with _told_plainly(database):
        return migrate(database)


def installed_definitions(database: Database) -> list[str]:
    """Make the stored definitions those of mappings/; those that were written, as `Type/id`."""
    try:
        installed = install_definitions(Store(database))
    except HyoidError as error:
        raise RefusedError(str(error)) from None
    for name in installed.taken:
        complain(f"{name} is a resource of your own under an id of ours: ours is left out")
    return installed.written


def _require_readable_rules() -> None:
    try:
        catalogue()
        rules()
    except (OSError, ValueError) as error:
        raise RefusedError(str(error)) from None


def name_of(database: Database) -> str:
    """The URL for people: without its password."""
    return database.engine.url.render_as_string(hide_password=True)


def _require_current(database: Database) -> None:
    with _told_plainly(database):
        current = is_current(database)
    if not current:
        raise RefusedError(
            f"The tables of {name_of(database)} are not those of this version: run hyoid migrate"
            " with the same --database"
        )


def _require_file(database: Database) -> None:
    path = database.engine.url.database
    if path is None or not Path(path).is_file():
        raise RefusedError(f"There is no store at {name_of(database)}")


@contextmanager
def _told_plainly(database: Database) -> Iterator[None]:
    try:
        yield
    except CommandError as error:
        raise RefusedError(
            f"The tables of {name_of(database)} belong to another version of Hyoid: {error}"
        ) from None
    except SQLAlchemyError as error:
        cause = str(getattr(error, "orig", None) or error).strip().splitlines()
        raise RefusedError(
            f"Cannot use {name_of(database)}: {cause[0] if cause else error}"
        ) from None
