"""hyoid erase: take a client's record out of the store for good."""

from __future__ import annotations

from typing import Annotated

import typer

from service.commands._options import DatabaseOption, base_of, settings_with
from service.commands._telling import RefusedError, counted, say


def erase(
    patient: Annotated[str, typer.Option(metavar="ID", help="The client: the id of a Patient.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    database: DatabaseOption = None,
) -> None:
    """Erase one client's record: all versions of all resources that are this client's alone.

    Only the fact of a deletion is left of each. It cannot be undone. Whether a record may be erased
    is for the law and the local rules to say.
    """
    from service.commands._opening import OPERATOR, opened_store
    from service.store.erase import erase as erase_all
    from service.store.erase import record_of

    settings = settings_with(database=database)
    with opened_store(settings.database) as store:
        with store.reader(snapshot=True) as connection:
            record = record_of(connection, patient, base_of(settings))
        if not record.own:
            raise RefusedError(f"There is nothing of a Patient/{patient}")
        question = f"Erase {counted(len(record.own), 'resource')} of Patient/{patient} for good?"
        if not yes and not typer.confirm(question):
            raise RefusedError("Nothing was erased")
        erase_all(store, OPERATOR, patient, record.own)
    say(f"Erased {counted(len(record.own), 'resource')} of Patient/{patient}")
    for name in record.shared:
        say(f"Left, for it is in the record of another client too: {name.type}/{name.id}")
    say(
        "Kept: the audit log, whose queries may hold what was searched for. Not reached: backups,"
        " what others have fetched, and free text in other records"
    )
