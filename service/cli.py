"""How is the service used from a shell? The command `hyoid`; its commands are one file each."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from service import __version__
from service.commands import audit, client, keys, mappings_check, person
from service.commands._telling import RefusedError, complain, say
from service.commands.demo import demo
from service.commands.erase import erase
from service.commands.export import export
from service.commands.load import load
from service.commands.migrate import migrate
from service.commands.reindex import reindex
from service.commands.serve import serve
from service.commands.validate import validate
from service.errors import HyoidError

app = typer.Typer(
    name="hyoid",
    help="FHIR R4 service for speech-language therapy.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
for _command in (serve, demo, load, export, validate, reindex, migrate, erase):
    app.command()(_command)
app.add_typer(mappings_check.app, name="mappings")
app.add_typer(client.app, name="client")
app.add_typer(person.app, name="person")
app.add_typer(keys.app, name="keys")
app.add_typer(audit.app, name="audit")


def _version(wanted: bool) -> None:
    if wanted:
        say(f"hyoid {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """FHIR R4 service for speech-language therapy."""


def main() -> None:
    """Run a command; whatever is refused becomes lines on stderr and an exit code."""
    try:
        app()
    except RefusedError as refused:
        complain(f"hyoid: {refused}")
        sys.exit(refused.exit_code)
    except HyoidError as error:
        for issue in error.issues:
            complain(f"hyoid: {issue.text}")
        sys.exit(1)


if __name__ == "__main__":
    main()
