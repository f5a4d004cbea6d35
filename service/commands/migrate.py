"""hyoid migrate: are the tables those of this version, and if not, make them so."""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import say


def migrate(database: DatabaseOption = None) -> None:
    """Bring the tables of the database up to date."""
    from service.commands._opening import applied_migrations, database_at, name_of

    settings = settings_with(database=database)
    opened = database_at(settings.database)
    try:
        applied = applied_migrations(opened)
    finally:
        opened.close()
    for revision in applied:
        say(f"applied {revision}")
    if not applied:
        say(f"{name_of(opened)} is up to date")
