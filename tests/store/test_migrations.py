"""The tables that the migrations make are those of the models, on both engines."""

from __future__ import annotations

from typing import Any

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text
from sqlmodel import SQLModel

from service.store import tables, tables_access, tables_exports, tables_people
from service.store.engine import Database
from service.store.migrate import is_current, migrate
from service.store.store import Store
from tests.factories.clinical import observation, procedure
from tests.store.agreement import disagreements
from tests.store.keeping import BASE, put

_MATCH = {f"index_text_match{part}" for part in ("", "_config", "_data", "_idx")}
"""The FTS5 table of SQLite and those in which it keeps itself: no model makes them.

Alembic does not see that the models make the GIN index `index_text_words` on PostgreSQL alone; what
the engines tell of it is compared all the same.
"""


def _described(database: Database) -> dict[str, Any]:
    """Tables, columns and indexes as the engine itself tells them."""
    with database.engine.connect() as connection:
        if database.dialect == "sqlite":
            found = connection.execute(
                text(
                    "SELECT name, sql FROM sqlite_schema"
                    " WHERE type <> 'trigger' AND name NOT LIKE 'alembic%'"
                )
            )
            # SQLAlchemy writes the same thing with other white space in the two ways.
            return {
                name: " ".join(sql.replace("(", " ( ").split())
                for name, sql in found
                if sql and name not in _MATCH
            }
        found = connection.execute(
            text(
                "SELECT tablename || ' ' || indexname, indexdef FROM pg_indexes"
                " WHERE schemaname = current_schema() AND tablename NOT LIKE 'alembic%'"
                " UNION ALL SELECT table_name || ' ' || column_name, concat_ws(' ', data_type,"
                " is_nullable, column_default, collation_name) FROM information_schema.columns"
                " WHERE table_schema = current_schema() AND table_name NOT LIKE 'alembic%'"
            )
        )
        schema = connection.execute(text("SELECT current_schema()")).scalar_one()
        return {name: told.replace(f"{schema}.", "") for name, told in found}


def test_models_and_migrations_describe_the_same_tables(database_url: str) -> None:
    database = Database(database_url)
    migrate(database)
    with database.engine.connect() as connection:
        left_out = _MATCH if database.dialect == "postgresql" else _MATCH | {"index_text_words"}
        own = {
            "compare_type": True,
            "include_object": lambda found, name, *_: name not in left_out,
        }
        context = MigrationContext.configure(connection, opts=own)
        assert compare_metadata(context, SQLModel.metadata) == []
    migrated = _described(database)
    with database.engine.begin() as connection:
        SQLModel.metadata.drop_all(connection)
        SQLModel.metadata.create_all(connection)
    made = _described(database)
    assert migrated == made
    assert len(made) > 10
    database.close()


def test_sqlite_matches_words_in_a_table_that_no_model_makes(sqlite_url: str) -> None:
    database = Database(sqlite_url)
    migrate(database)
    with database.engine.connect() as connection:
        made = connection.execute(
            text("SELECT name FROM sqlite_schema WHERE name LIKE 'index!_text!_match%' ESCAPE '!'")
        )
        assert set(made.scalars()) == _MATCH
    database.close()


def test_the_models_are_those_of_the_store() -> None:
    modules = (tables, tables_access, tables_exports, tables_people)
    found = [each for module in modules for each in vars(module).values() if _is_table(each)]
    assert {each.__tablename__ for each in found} == set(SQLModel.metadata.tables)


def _is_table(found: object) -> bool:
    return isinstance(found, type) and issubclass(found, SQLModel) and hasattr(found, "__table__")


def test_migrating_is_told_once_and_then_there_is_nothing_to_do(database_url: str) -> None:
    database = Database(database_url)
    assert not is_current(database)
    assert migrate(database)
    assert is_current(database)
    assert migrate(database) == []
    database.close()


def test_an_empty_store_has_its_clock_at_zero(database: Database) -> None:
    with database.reader() as connection:
        assert connection.rows("SELECT id, seq, rid, updated FROM change_clock") == [(1, 0, 0, 0)]


def test_of_processes_that_start_together_one_migrates(database_url: str) -> None:
    from concurrent.futures import ThreadPoolExecutor

    def start(_: int) -> list[str]:
        database = Database(database_url)
        try:
            return migrate(database)
        finally:
            database.close()

    with ThreadPoolExecutor(4) as pool:
        applied = list(pool.map(start, range(4)))
    *idle, worked = sorted(map(len, applied))
    assert idle == [0, 0, 0]
    assert worked > 0


def test_codes_that_were_there_get_their_dates(database_url: str) -> None:
    from alembic import command

    from service.store.migrate import _config

    database = Database(database_url)
    migrate(database)
    store = Store(database)
    dated, undated = observation("o1"), observation("o2")
    del undated["effectiveDateTime"]
    put(store, dated)
    put(store, undated)
    put(store, procedure(id="s1"))
    with database.engine.connect() as connection:
        config = _config()
        config.attributes["connection"] = connection
        command.downgrade(config, "2026_11_25_past_compartments")
    migrate(database)
    with database.reader() as connection:
        assert connection.rows("SELECT count(*) FROM index_dated_code") == [(3,)]
        assert disagreements(connection, BASE) == []
    database.close()


def test_all_migrations_can_be_taken_back(database_url: str) -> None:
    from alembic import command

    from service.store.migrate import _config

    database = Database(database_url)
    migrate(database)
    with database.engine.connect() as connection:
        config = _config()
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
        assert set(inspect(connection).get_table_names()) == {"alembic_version"}
    database.close()
