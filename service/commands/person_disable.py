"""hyoid person disable, hyoid person enable: may somebody still sign in?"""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._people import LoginArgument
from service.commands._systems import microseconds
from service.commands._telling import say


def disable(login: LoginArgument, database: DatabaseOption = None) -> None:
    """Let somebody in no more; they are signed out everywhere, within a second."""
    _set(login, database, microseconds())
    say(f"Disabled {login}; `hyoid person enable {login}` takes that back")


def enable(login: LoginArgument, database: DatabaseOption = None) -> None:
    """Let somebody in again who was disabled, or failed too often."""
    _set(login, database, None)
    say(f"Enabled {login}")


def _set(login: str, database: str | None, disabled: int | None) -> None:
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.people import disable_person

    did = "enable" if disabled is None else "disable"
    with (
        opened_store(settings_with(database=database).database) as store,
        commanded(f"person {did} {login}"),
    ):
        disable_person(store.database, login, disabled)
