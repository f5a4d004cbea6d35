"""hyoid client change: what may a system do from now on, and whose clients does it see?"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from service.commands._options import DatabaseOption, settings_with
from service.commands._systems import (
    NameArgument,
    ReferenceOption,
    ScopeOption,
    TiedOption,
    required_reference,
    required_scopes,
    required_ties,
    tell_client,
)
from service.commands._telling import MISUSED, RefusedError, say


def change(
    name: NameArgument,
    scope: ScopeOption = None,
    tied: TiedOption = None,
    untied: Annotated[bool, typer.Option("--untied", help="It sees every client.")] = False,
    reference: ReferenceOption = None,
    database: DatabaseOption = None,
) -> None:
    """Replace scopes or ties of a system. Tokens it holds are narrowed at once, never widened."""
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.systems import change_client, required_client

    if tied and untied:
        raise RefusedError("Either --tied or --untied", MISUSED)
    settings = settings_with(database=database)
    with opened_store(settings.database) as store, commanded(f"client change {name}"):
        client = required_client(store.database, name)
        if scope:
            client = replace(client, scopes=required_scopes(scope))
        if tied or untied:
            client = replace(client, tied=required_ties(tied))
        if reference is not None:
            client = replace(client, reference=required_reference(reference))
        change_client(store.database, client)
    say(f"Changed {name}")
    tell_client(client, settings)
