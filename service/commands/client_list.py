"""hyoid client list: which systems may ask for access tokens?"""

from __future__ import annotations

from datetime import UTC, datetime

from rich.console import Console
from rich.table import Table
from rich.text import Text

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import say
from service.store.systems import SystemClient

_WIDE = 200
"""Columns where nobody looks on: a file or a pipe gets each system on one line."""


def show(database: DatabaseOption = None) -> None:
    """List the systems: what each may do, whose clients it sees, how its keys are known."""
    from service.commands._opening import opened_store
    from service.store.systems import all_clients

    with (
        opened_store(settings_with(database=database).database) as store,
        store.database.reader() as connection,
    ):
        clients = all_clients(connection)
    if not clients:
        say("No system is registered: hyoid client add")
        return
    console = Console()
    if not console.is_terminal:
        console = Console(width=_WIDE)
    console.print(_table(clients))


def _table(clients: list[SystemClient]) -> Table:
    table = Table("name", "state", "scopes", "sees clients of", "keys", "since", box=None)
    for client in clients:
        since = datetime.fromtimestamp(client.created / 1_000_000, UTC).date().isoformat()
        cells = (
            client.id,
            "disabled" if client.disabled is not None else "enabled",
            " ".join(sorted(client.scopes)),
            " ".join(sorted(client.tied or ())) or "all",
            client.jwks_url or "registered",
            since,
        )
        table.add_row(*(Text(cell) for cell in cells))
    return table
