"""hyoid migrate: are tables and definitions those of this version, and if not, make them so."""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import counted, say


def migrate(database: DatabaseOption = None) -> None:
    """Bring the tables of the database, and the definitions in it, up to date."""
    from service.commands._opening import (
        applied_migrations,
        database_at,
        installed_definitions,
        name_of,
    )

    settings = settings_with(database=database)
    opened = database_at(settings.database)
    try:
        applied = applied_migrations(opened)
        installed = installed_definitions(opened)
    finally:
        opened.close()
    for revision in applied:
        say(f"applied {revision}")
    if installed:
        say(f"installed {counted(len(installed), 'definition')}")
    if not applied and not installed:
        say(f"{name_of(opened)} is up to date")
