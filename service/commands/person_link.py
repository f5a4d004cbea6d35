"""hyoid person link: a link that signs somebody in once, on this machine."""

from __future__ import annotations

import time

from service.commands._options import DatabaseOption, settings_with
from service.commands._people import LoginArgument
from service.commands._telling import RefusedError, say
from service.commands.serve import PortOption


def link(login: LoginArgument, port: PortOption = None, database: DatabaseOption = None) -> None:
    """Print a link that signs somebody in once, within five minutes, on this machine alone."""
    from service.access.people import LINK_SECONDS, made_link
    from service.commands._opening import opened_store
    from service.settings import origin
    from service.store.audit.commanded import commanded
    from service.store.people import required_person

    settings = settings_with(database=database, port=port)
    with opened_store(settings.database) as store, commanded(f"person link {login}"):
        if required_person(store.database, login).disabled is not None:
            raise RefusedError(f"{login} is disabled")
        token = made_link(store.database, login, int(time.time()))
    here = origin("127.0.0.1", settings.port, settings.scheme)
    say(f"{here}/access/sign-in?link={token}")
    say(f"It counts once, for {LINK_SECONDS // 60} minutes, on this machine alone.")
