"""hyoid client disable, hyoid client enable: may a system still come in?"""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._systems import NameArgument, microseconds
from service.commands._telling import say


def disable(name: NameArgument, database: DatabaseOption = None) -> None:
    """Let a system in no more; the tokens it holds count no more either, within a second."""
    _set(name, database, microseconds())
    say(f"Disabled {name}; `hyoid client enable {name}` takes that back")


def enable(name: NameArgument, database: DatabaseOption = None) -> None:
    """Let a disabled system in again."""
    _set(name, database, None)
    say(f"Enabled {name}")


def _set(name: str, database: str | None, disabled: int | None) -> None:
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.systems import disable_client

    did = "enable" if disabled is None else "disable"
    with (
        opened_store(settings_with(database=database).database) as store,
        commanded(f"client {did} {name}"),
    ):
        disable_client(store.database, name, disabled)
