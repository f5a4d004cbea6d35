"""hyoid audit: is the record of who looked at what whole?"""

from __future__ import annotations

from typing import Annotated

import typer

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import FAILED, MISUSED, RefusedError, complain, counted, say

app = typer.Typer(help="The audit log: who did what with whose record.", no_args_is_help=True)


@app.callback()
def audit() -> None:
    """The audit log: who did what with whose record."""


@app.command()
def verify(
    database: DatabaseOption = None,
    known: Annotated[
        str | None,
        typer.Option(
            metavar="ROW:HASH",
            help="What an earlier verify printed, kept where the keeper of the database cannot"
            " change it. Without it, rows cut off at the end are not noticed.",
        ),
    ] = None,
) -> None:
    """Check that no row of the audit log was changed, removed or put in. Exit 1 where one was."""
    from service.commands._opening import opened_store
    from service.store.audit.verify import verify as verified

    noted = None if known is None else _noted(known)
    with opened_store(settings_with(database=database).database) as store:
        verdict = verified(store.database, noted)
    if verdict.fault:
        complain(f"The audit log is not whole: {verdict.fault}")
        raise typer.Exit(FAILED)
    say(f"The audit log is whole: {counted(verdict.rows, 'row')}. Keep this elsewhere:")
    say(f"{verdict.rows}:{verdict.chain.hex()}")


def _noted(text: str) -> tuple[int, bytes]:
    number, _, chain = text.partition(":")
    try:
        return int(number), bytes.fromhex(chain)
    except ValueError:
        raise RefusedError(f"--known: {text!r} is not ROW:HASH", MISUSED) from None
