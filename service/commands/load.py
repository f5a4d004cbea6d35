"""hyoid load: take files into the store."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands._files import files_at, is_table, records_in, size_of
from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import FAILED, MISUSED, RefusedError, complain_of, counted, say
from service.errors import Unavailable
from service.settings import Settings

if TYPE_CHECKING:
    from service.commands._intake import Intake
    from service.commands._notes import Notes
    from service.commands._progress import Meter
    from service.rest.call import Service

PathsArgument = Annotated[
    list[Path],
    typer.Argument(
        metavar="PATH…",
        help="Files or folders: FHIR JSON or session notes (.json), NDJSON (.ndjson), session"
        " notes as a table (.csv), or - for NDJSON from stdin.",
        show_default=False,
    ),
]


IdentifiersOption = Annotated[
    str | None,
    typer.Option(
        "--clinic",
        metavar="URL",
        help="Session notes: what the clinic's numbers start with. Default: HYOID_CLINIC.",
        show_default=False,
    ),
]
ZoneOption = Annotated[
    str | None,
    typer.Option(
        "--time-zone",
        metavar="ZONE",
        help="Session notes: zone of times without one. Default: HYOID_TIME_ZONE.",
        show_default=False,
    ),
]
FormatOption = Annotated[
    str | None,
    typer.Option(
        "--date-format",
        metavar="FORM",
        help="Session notes: form of dates, for instance %d.%m.%Y.",
        show_default=False,
    ),
]
CommaOption = Annotated[bool, typer.Option("--decimal-comma", help="Tables: 21,5 is a number.")]
StrictOption = Annotated[
    bool, typer.Option("--strict", help="Session notes: refuse codes that cannot be translated.")
]


def load(
    paths: PathsArgument,
    database: DatabaseOption = None,
    clinic: IdentifiersOption = None,
    time_zone: ZoneOption = None,
    date_format: FormatOption = None,
    decimal_comma: CommaOption = False,
    strict: StrictOption = False,
) -> None:
    """Take FHIR JSON, Bundles, NDJSON and session notes into the store.

    Names each refused record with its place and reason, and stores the others. A resource with an
    id becomes the next version under that id; a session that is there already is left as it is.
    Exit code 1 if any was refused.
    """
    settings = settings_with(database=database, clinic=clinic, time_zone=time_zone)
    files = files_at(paths)
    start = time.monotonic()
    with _intake(settings) as (intake, service):
        notes = _notes(service, date_format, decimal_comma, strict)
        _take_all(intake, notes, files)
    seconds = max(time.monotonic() - start, 1e-3)
    stored, refused_count = intake.stored + notes.resources, intake.refused + notes.refused
    refused = f"; refused {counted(refused_count, 'record')}" if refused_count else ""
    notes.tell()
    say(
        f"Stored {counted(stored, 'resource')} from {counted(len(files), 'file')}"
        f" in {seconds:,.1f} s ({stored / seconds:,.0f}/s){refused}"
    )
    if refused_count:
        raise typer.Exit(FAILED)


def _take_all(intake: Intake, notes: Notes, files: Sequence[Path]) -> None:
    from service.commands._progress import metered

    with metered("Loading", size_of(files), "records") as meter:
        for file in files:
            try:
                if is_table(file):
                    intake.close()
                    notes.take_table(file, meter)
                    continue
                _take_records(intake, notes, file, meter)
            except Unavailable as error:
                raise _stopped(str(file), error, intake) from error
        try:
            intake.close()
        except Unavailable as error:
            raise _stopped(str(files[-1]), error, intake) from error


def _take_records(intake: Intake, notes: Notes, file: Path, meter: Meter) -> None:
    for record in records_in(file):
        before = intake.stored
        try:
            if record.refusal is None and _is_note(record.raw):
                # What a note refers to must be there before it.
                intake.close()
                notes.take_json(record, meter)
                continue
            intake.take(record)
        except Unavailable as error:
            raise _stopped(record.place, error, intake) from error
        meter.advance(record.size, intake.stored - before)


def _is_note(raw: bytes) -> bool:
    """Whether it is no FHIR resource but speaks of sessions."""
    return b'"resourceType"' not in raw and b'"session' in raw


def _stopped(place: str, error: Unavailable, intake: Intake) -> RefusedError:
    told = f"stopped at {place} after {counted(intake.stored, 'stored resource')}: {error}"
    return RefusedError(told)


def _notes(service: Service, date_format: str | None, decimal_comma: bool, strict: bool) -> Notes:
    from service.commands._notes import Notes
    from service.commands._options import base_of
    from service.errors import Invalid
    from service.intake.moments import MomentError, date_form

    try:
        if date_format:
            date_form(date_format)
        return Notes(
            service.store,
            service.settings,
            base_of(service.settings),
            complain_of,
            date_format=date_format,
            decimal_comma=decimal_comma,
            strict=strict,
        )
    except Invalid as error:
        raise RefusedError(f"--clinic, --time-zone: {error}", MISUSED) from None
    except MomentError as error:
        raise RefusedError(f"--date-format: {error}", MISUSED) from None


@contextmanager
def _intake(settings: Settings) -> Iterator[tuple[Intake, Service]]:
    from dataclasses import replace

    from service.commands._files import LARGEST_FILE
    from service.commands._intake import Intake
    from service.commands._opening import opened_store
    from service.rest.call import Service
    from service.store.secrets import shared_secret

    with opened_store(settings.database, create=True) as store:
        unlimited = replace(
            settings, max_body=LARGEST_FILE, max_entries=LARGEST_FILE, max_answer=LARGEST_FILE
        )
        service = Service(store, unlimited, shared_secret(store.database, "cursor"))
        yield Intake(service, complain_of), service
