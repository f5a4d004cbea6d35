"""hyoid person change: what may somebody do from now on, as whom, and for whose clients?"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from service.commands._options import DatabaseOption, settings_with
from service.commands._people import (
    LoginArgument,
    required_login,
    required_practitioner,
    required_role,
    tell_person,
    tell_unknown,
)
from service.commands._systems import TiedOption, required_ties
from service.commands._telling import MISUSED, RefusedError, say


def change(
    login: LoginArgument,
    role: Annotated[
        str | None, typer.Option("--role", help="A role of mappings/access/roles.json.")
    ] = None,
    practitioner: Annotated[
        str | None, typer.Option("--practitioner", metavar="Practitioner/ID", help="Who they are.")
    ] = None,
    tied: TiedOption = None,
    untied: Annotated[bool, typer.Option("--untied", help="They see every client.")] = False,
    name: Annotated[str | None, typer.Option("--name", help="Name to show them.")] = None,
    database: DatabaseOption = None,
) -> None:
    """Change somebody's role, Practitioner, ties or name; what is not given stays.

    It counts within a second. Where it is more than the name, they have to sign in again. People
    of an identity provider are changed there.
    """
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.people import change_person, required_person

    required_login(login)
    if tied and untied:
        raise RefusedError("Either --tied or --untied", MISUSED)
    if not (tied or untied) and (role, practitioner, name) == (None, None, None):
        raise RefusedError("What is to be changed: --role, --practitioner, --tied, --name", MISUSED)
    with (
        opened_store(settings_with(database=database).database) as store,
        commanded(f"person change {login}"),
    ):
        person = required_person(store.database, login)
        if role is not None:
            person = replace(person, role=required_role(role))
        if practitioner is not None:
            person = replace(person, reference=required_practitioner(practitioner))
        if tied or untied:
            person = replace(person, tied=required_ties(tied))
        if name is not None:
            person = replace(person, name=name[:200])
        change_person(store.database, person)
        if practitioner is not None:
            tell_unknown(store, person.reference)
    say(f"Changed {tell_person(person)}")
