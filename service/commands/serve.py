"""hyoid serve: run the service until it is told to stop."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from enum import StrEnum
from typing import Annotated

import typer

from service.commands._options import DEFAULTS, DatabaseOption, KeyFileOption, settings_with
from service.commands._telling import say


class AccessChoice(StrEnum):
    """Who is let in."""

    open = "open"
    smart = "smart"


PortOption = Annotated[
    int | None,
    typer.Option(
        "--port",
        min=0,
        max=65535,
        help=f"Port to listen on. Default: HYOID_PORT, else {DEFAULTS.port}.",
        show_default=False,
    ),
]


def serve(
    host: Annotated[
        str | None,
        typer.Option(help="Address to listen on. Default: HYOID_HOST, else 127.0.0.1."),
    ] = None,
    port: PortOption = None,
    database: DatabaseOption = None,
    access: Annotated[
        AccessChoice | None,
        typer.Option(
            help="smart: access tokens. open: whoever reaches it may do everything; loopback only."
            f" Default: HYOID_ACCESS, else {DEFAULTS.access}."
        ),
    ] = None,
    workers: Annotated[int, typer.Option(min=1, max=256, help="Processes that serve.")] = 1,
    tls_cert: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Certificate chain (PEM), to serve HTTPS. Default: HYOID_TLS_CERT.",
        ),
    ] = None,
    tls_key: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Its private key (PEM), for its owner alone. Default: HYOID_TLS_KEY.",
        ),
    ] = None,
    key_file: KeyFileOption = None,
) -> None:
    """Run the service.

    The tables of an SQLite file are brought up to date first; those of PostgreSQL by `hyoid
    migrate`. What is unsafe is refused: access by tokens without encryption, keys that others read.
    """
    from service.commands._keys import required_secrets
    from service.commands._listening import (
        is_loopback,
        listening,
        one_process,
        run_workers,
        url_of,
    )
    from service.commands._opening import bring_up_to_date, database_at
    from service.commands._safety import require_safe

    chosen = access.value if access else None
    settings = settings_with(
        host=host,
        port=port,
        database=database,
        access=chosen,
        tls_cert=tls_cert,
        tls_key=tls_key,
        key_file=key_file,
    )
    # Uvicorn stops in order and then raises the signal again.
    with contextlib.suppress(KeyboardInterrupt), listening(settings) as listener:
        settings = replace(settings, port=listener.getsockname()[1])
        require_safe(settings, only_here=is_loopback(listener))
        bring_up_to_date(settings.database)
        if settings.access == "smart":
            with contextlib.closing(database_at(settings.database)) as database_now:
                required_secrets(database_now, settings)
        server = one_process(settings) if workers == 1 else None
        url = url_of(listener, settings.host, settings.scheme)
        say(f"Hyoid serves FHIR R4 at {url}/fhir (Ctrl-C stops it)")
        if server is not None:
            server.run(sockets=[listener])
        else:
            run_workers(settings, listener, workers)
