"""hyoid client list: which systems may ask for access tokens?"""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import say
from service.store.systems import SystemClient

_HEADS = ("name", "state", "scopes", "sees clients of", "keys", "since")


def show(database: DatabaseOption = None) -> None:
    """List the systems: what each may do, whose clients it sees, how its keys are known."""
    from service.commands._opening import opened_store
    from service.commands._tables import show_table
    from service.store.systems import all_clients

    with (
        opened_store(settings_with(database=database).database) as store,
        store.database.reader() as connection,
    ):
        clients = all_clients(connection)
    if not clients:
        say("No system is registered: hyoid client add")
        return
    show_table(_HEADS, map(_cells, clients))


def _cells(client: SystemClient) -> tuple[str, ...]:
    from service.commands._tables import day, state, ties

    return (
        client.id,
        state(client.disabled),
        " ".join(sorted(client.scopes)),
        ties(client.tied),
        client.jwks_url or "registered",
        day(client.created),
    )
