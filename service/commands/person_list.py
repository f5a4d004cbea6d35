"""hyoid person list: who may sign in?"""

from __future__ import annotations

from datetime import UTC, datetime

from rich.console import Console
from rich.table import Table
from rich.text import Text

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import printable, say
from service.store.people import Person

_WIDE = 200
"""Columns where nobody looks on: a file or a pipe gets each person on one line."""


def show(database: DatabaseOption = None) -> None:
    """List the people: what each may do, who they are, whose clients they see."""
    from service.commands._opening import opened_store
    from service.store.people import all_people

    with (
        opened_store(settings_with(database=database).database) as store,
        store.database.reader() as connection,
    ):
        people = all_people(connection)
    if not people:
        say("Nobody may sign in: hyoid person add")
        return
    console = Console()
    if not console.is_terminal:
        console = Console(width=_WIDE)
    console.print(_table(people))


def _table(people: list[Person]) -> Table:
    table = Table("login", "state", "role", "acts as", "sees clients of", "name", "since", box=None)
    for person in people:
        since = datetime.fromtimestamp(person.created / 1_000_000, UTC).date().isoformat()
        cells = (
            person.login,
            "disabled" if person.disabled is not None else "enabled",
            person.role,
            person.reference,
            " ".join(sorted(person.tied or ())) or "all",
            person.name,
            since,
        )
        table.add_row(*(Text(printable(cell)) for cell in cells))
    return table
