"""hyoid person passphrase: give somebody another passphrase."""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._people import LoginArgument, asked_passphrase, required_login
from service.commands._telling import say


def passphrase(login: LoginArgument, database: DatabaseOption = None) -> None:
    """Replace a passphrase. They are signed out everywhere; earlier failures are forgiven."""
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.people import required_person, set_passphrase

    required_login(login)
    with (
        opened_store(settings_with(database=database).database) as store,
        commanded(f"person passphrase {login}"),
    ):
        person = required_person(store.database, login)
        set_passphrase(store.database, login, asked_passphrase(login, person.name))
    say(f"{login} has another passphrase")
