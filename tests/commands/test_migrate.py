"""hyoid migrate on both engines."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from tests.live import hyoid_here as hyoid


def test_migrations_are_applied_once(database_url: str) -> None:
    first = hyoid("migrate", "--database", database_url)
    assert first.returncode == 0, first.stderr
    assert first.stdout.startswith("applied 2026_")
    second = hyoid("migrate", "--database", database_url)
    assert (second.returncode, second.stdout.endswith(" is up to date\n")) == (0, True)


def test_tables_of_a_newer_version_are_left_alone(sqlite_url: str) -> None:
    hyoid("migrate", "--database", sqlite_url)
    with sqlite3.connect(sqlite_url.removeprefix("sqlite:///")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '2999_from_the_future'")
    connection.close()
    done = hyoid("migrate", "--database", sqlite_url)
    assert done.returncode == 1
    assert "belong to another version" in done.stderr
    assert done.stderr.count("\n") == 1


def test_file_that_is_no_database_is_told(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("these are notes, and no database at all" * 100)
    done = hyoid("migrate", "--database", f"sqlite:///{path}")
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "file is not a database" in done.stderr
