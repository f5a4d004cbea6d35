"""hyoid validate: are these files valid FHIR R4?"""

from __future__ import annotations

import re
from collections.abc import Iterator

import typer

from service.commands._files import LARGEST_FILE, Record, files_at, records_in, size_of
from service.commands._progress import metered
from service.commands._telling import FAILED, counted, say, told
from service.commands.load import PathsArgument
from service.errors import HyoidError, Issue

_LINE = re.compile(r"line (\d+)")
_ERRORS = frozenset({"fatal", "error"})


def validate(paths: PathsArgument) -> None:
    """Check FHIR JSON, Bundles and NDJSON without a store.

    Prints each issue with its place. Exit code 1 if any is an error.
    """
    files = files_at(paths)
    checked = errors = warnings = 0
    with metered("Checking", size_of(files), "resources") as meter:
        for file in files:
            for record in records_in(file):
                checked += 1
                for line, issue in _issues_of(record):
                    say(f"{line}: {issue.severity}: {told(issue)} ({issue.code})")
                    errors += issue.severity in _ERRORS
                    warnings += issue.severity == "warning"
                meter.advance(record.size, 1)
    say(
        f"Checked {counted(checked, 'resource')} in {counted(len(files), 'file')}:"
        f" {counted(errors, 'error')}, {counted(warnings, 'warning')}"
    )
    if errors:
        raise typer.Exit(FAILED)


def _issues_of(record: Record) -> Iterator[tuple[str, Issue]]:
    """Each issue with `file:line`."""
    from service.commands._places import line_of, lines_of
    from service.standard.codec import decode_resource
    from service.standard.profiles import validate as issues_of

    if record.refusal is not None:
        yield record.place, Issue("error", "not-supported", record.refusal)
        return
    try:
        issues = issues_of(decode_resource(record.raw, max_bytes=LARGEST_FILE))
    except HyoidError as error:
        for issue in error.issues:
            line = _LINE.search(issue.location or "")
            yield _at(record, int(line[1]) if line else 1), issue
        return
    if not issues:
        return
    lines = lines_of(record.raw.decode()) if record.line is None else {}
    for issue in issues:
        yield _at(record, line_of(lines, issue.expression or "")), issue


def _at(record: Record, line: int) -> str:
    return record.place if record.line is not None else f"{record.place}:{line}"
