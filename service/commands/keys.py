"""hyoid keys rotate: sign access tokens with a new key from now on."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import say

app = typer.Typer(
    help="The keys that sign access tokens.", no_args_is_help=True, add_completion=False
)


@app.callback()
def keys() -> None:
    """The keys that sign access tokens."""


@app.command()
def rotate(
    drop_old: Annotated[
        bool,
        typer.Option(
            "--drop-old",
            help="Withdraw the old keys: every token that was given counts no more. For a key"
            " that may have become known.",
        ),
    ] = False,
    database: DatabaseOption = None,
) -> None:
    """Make a new key. Tokens signed with the old ones count until they expire."""
    from service.access.signing import rotated
    from service.commands._opening import opened_store

    with opened_store(settings_with(database=database).database) as store:
        row = rotated(store.database, int(time.time()), drop=drop_old)
    say(f"Access tokens are signed with {row.kid} from now on")
    if drop_old:
        say("All tokens that were given before count no more, within a second")
