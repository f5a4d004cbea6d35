"""hyoid load: take files into the store."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands._files import files_at, records_in, size_of
from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import FAILED, RefusedError, complain_of, counted, say
from service.errors import Unavailable
from service.settings import Settings

if TYPE_CHECKING:
    from service.commands._intake import Intake

PathsArgument = Annotated[
    list[Path],
    typer.Argument(
        metavar="PATH…",
        help="Files or folders: FHIR JSON (.json), NDJSON (.ndjson), or - for NDJSON from stdin.",
        show_default=False,
    ),
]


def load(paths: PathsArgument, database: DatabaseOption = None) -> None:
    """Take FHIR JSON, Bundles and NDJSON into the store.

    Names each refused record with its place and reason, and stores the others. A resource with an
    id becomes the next version under that id. Exit code 1 if any was refused.
    """
    settings = settings_with(database=database)
    files = files_at(paths)
    start = time.monotonic()
    with _intake(settings) as intake:
        _take_all(intake, files)
    seconds = max(time.monotonic() - start, 1e-3)
    refused = f"; refused {counted(intake.refused, 'record')}" if intake.refused else ""
    say(
        f"Stored {counted(intake.stored, 'resource')} from {counted(len(files), 'file')}"
        f" in {seconds:,.1f} s ({intake.stored / seconds:,.0f}/s){refused}"
    )
    if intake.refused:
        raise typer.Exit(FAILED)


def _take_all(intake: Intake, files: Sequence[Path]) -> None:
    from service.commands._progress import metered

    with metered("Loading", size_of(files), "resources") as meter:
        for file in files:
            for record in records_in(file):
                before = intake.stored
                try:
                    intake.take(record)
                except Unavailable as error:
                    raise _stopped(record.place, error, intake) from error
                meter.advance(record.size, intake.stored - before)
        try:
            intake.close()
        except Unavailable as error:
            raise _stopped(str(files[-1]), error, intake) from error


def _stopped(place: str, error: Unavailable, intake: Intake) -> RefusedError:
    told = f"stopped at {place} after {counted(intake.stored, 'stored resource')}: {error}"
    return RefusedError(told)


@contextmanager
def _intake(settings: Settings) -> Iterator[Intake]:
    from dataclasses import replace

    from service.commands._files import LARGEST_FILE
    from service.commands._intake import Intake
    from service.commands._opening import opened_store
    from service.rest.call import Service
    from service.store.secrets import shared_secret

    with opened_store(settings.database, create=True) as store:
        unlimited = replace(settings, max_body=LARGEST_FILE)
        service = Service(store, unlimited, shared_secret(store.database, "cursor"))
        yield Intake(service, complain_of)
