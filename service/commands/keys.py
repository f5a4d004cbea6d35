"""hyoid keys: other keys to sign access tokens with, or another secret to encrypt these with."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from service.commands._options import DatabaseOption, KeyFileOption, settings_with
from service.commands._telling import RefusedError, say

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
            " that may have become known, or where the secret of the old ones is lost.",
        ),
    ] = False,
    key_file: KeyFileOption = None,
    database: DatabaseOption = None,
) -> None:
    """Make a new key. Tokens signed with the old ones count until they expire."""
    from service.access.sealing import SealError
    from service.access.signing import rotated
    from service.commands._keys import required_secrets
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded

    settings = settings_with(database=database, key_file=key_file)
    with opened_store(settings.database) as store:
        secrets = required_secrets(store.database, settings, anew=drop_old)
        try:
            with commanded("keys rotate" + " --drop-old" * drop_old):
                row = rotated(store.database, secrets, int(time.time()), drop=drop_old)
        except SealError as error:
            raise RefusedError(str(error)) from None
    say(f"Access tokens are signed with {row.kid} from now on")
    if drop_old:
        say("All tokens that were given before count no more, within a second")


@app.command()
def secret(key_file: KeyFileOption = None, database: DatabaseOption = None) -> None:
    """Replace the secret that the keys are encrypted with. No token ends by that.

    Services that run on this machine find the new one in its file; copy that to other machines.
    """
    from service.access.sealing import SealError
    from service.access.signing import resealed
    from service.commands._keys import required_secrets
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded

    settings = settings_with(database=database, key_file=key_file)
    with opened_store(settings.database) as store:
        secrets = required_secrets(store.database, settings)
        try:
            with commanded("keys secret"):
                resealed(store.database, secrets)
        except SealError as error:
            raise RefusedError(str(error)) from None
    say(f"{secrets.path} has a new secret: copy it to where else it is kept")
    say("Where the old one may have become known: hyoid keys rotate --drop-old")
