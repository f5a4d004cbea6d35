"""hyoid person add: let somebody sign in."""

from __future__ import annotations

from typing import Annotated

import typer

from service.commands._options import DatabaseOption, settings_with
from service.commands._people import (
    LoginArgument,
    asked_passphrase,
    required_login,
    required_practitioner,
    required_role,
    tell_person,
    tell_unknown,
)
from service.commands._systems import TiedOption, microseconds, required_ties
from service.commands._telling import say


def add(
    login: LoginArgument,
    role: Annotated[
        str, typer.Option("--role", help="What they may do: a role of mappings/access/roles.json.")
    ],
    practitioner: Annotated[
        str, typer.Option("--practitioner", metavar="Practitioner/ID", help="Who they are.")
    ],
    tied: TiedOption = None,
    name: Annotated[str, typer.Option("--name", help="Name to show them.")] = "",
    without_passphrase: Annotated[
        bool, typer.Option("--without-passphrase", help="They sign in by links alone.")
    ] = False,
    database: DatabaseOption = None,
) -> None:
    """Let somebody sign in: their role, who they are, whose clients they see."""
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.people import Person, add_person

    settings = settings_with(database=database)
    required_login(login)
    required_role(role)
    reference, ties = required_practitioner(practitioner), required_ties(tied)
    with (
        opened_store(settings.database, create=True) as store,
        commanded(f"person add {login}"),
    ):
        encoded = "" if without_passphrase else asked_passphrase(login, name)
        person = Person(login, role, reference, ties, name[:200], encoded, microseconds())
        add_person(store.database, person)
        tell_unknown(store, reference)
    say(f"Added {tell_person(person)}")
