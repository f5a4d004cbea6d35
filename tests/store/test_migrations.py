"""The tables that the migrations make are those of the models, on both engines."""

from __future__ import annotations

from typing import Any

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text
from sqlmodel import SQLModel

from service.store import tables
from service.store.engine import Database
from service.store.migrate import is_current, migrate


def _described(database: Database) -> dict[str, Any]:
    """Tables, columns and indexes as the engine itself tells them."""
    with database.engine.connect() as connection:
        if database.dialect == "sqlite":
            found = connection.execute(
                text("SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'alembic%'")
            )
            # SQLAlchemy writes the same thing with other white space in the two ways.
            return {name: " ".join(sql.replace("(", " ( ").split()) for name, sql in found if sql}
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
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, SQLModel.metadata) == []
    migrated = _described(database)
    with database.engine.begin() as connection:
        SQLModel.metadata.drop_all(connection)
        SQLModel.metadata.create_all(connection)
    made = _described(database)
    assert migrated == made
    assert len(made) > 10
    database.close()


def test_the_models_are_those_of_the_store() -> None:
    assert {table.__tablename__ for table in vars(tables).values() if _is_table(table)} == set(
        SQLModel.metadata.tables
    )


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
    assert sorted(map(len, applied)) == [0, 0, 0, 1]


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
