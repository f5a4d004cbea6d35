"""hyoid export: write one client's record as a Bundle, or everything as NDJSON, a file a type.

http://hl7.org/fhir/R4/bundle.html (collection, or transaction), http://hl7.org/fhir/R4/nd-json.html.
"""

from __future__ import annotations

import time
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands._options import DatabaseOption, base_of, settings_with
from service.commands._telling import MISUSED, RefusedError, complain, counted, say
from service.settings import Settings

if TYPE_CHECKING:
    from service.store.store import Store


class BundleType(StrEnum):
    """What a client's record is written as."""

    collection = "collection"
    transaction = "transaction"


def export(
    to: Annotated[
        Path,
        typer.Option(
            help="With --patient the file to write, else the folder for the NDJSON files."
        ),
    ],
    patient: Annotated[
        str | None, typer.Option(metavar="ID", help="The client: the id of a Patient.")
    ] = None,
    bundle_type: Annotated[
        BundleType,
        typer.Option(
            help="With --patient: collection to read or keep, transaction to load elsewhere, also"
            " again and again."
        ),
    ] = BundleType.collection,
    recipient: Annotated[
        str,
        typer.Option(
            metavar="REFERENCE",
            help="For whom it is, as in Consents: Organization/x. Default: known to nobody.",
        ),
    ] = "",
    despite_consent: Annotated[
        bool,
        typer.Option(
            "--despite-consent",
            help="Also what a client's Consent denies to disclose: for a copy that stays here.",
        ),
    ] = False,
    database: DatabaseOption = None,
) -> None:
    """Write one client's record as a Bundle, or everything as NDJSON, a file a type.

    Records of clients whose Consent denies that they are disclosed are left out, or refused.
    What is written is the state at one moment. A file appears under its name only when it is whole.
    """
    from service.commands._opening import opened_store

    settings = settings_with(database=database)
    with opened_store(settings.database) as store:
        if patient is None:
            if bundle_type is BundleType.transaction:
                raise RefusedError("--bundle-type transaction needs --patient", MISUSED)
            _export_all(store, to, recipient, despite_consent)
        elif bundle_type is BundleType.transaction:
            _export_transaction(store, patient, to, settings, recipient, despite_consent)
        else:
            _export_record(store, patient, to, settings, recipient, despite_consent)


def _export_record(
    store: Store,
    patient: str,
    to: Path,
    settings: Settings,
    recipient: str,
    despite_consent: bool,
) -> None:
    from service.commands._opening import OPERATOR
    from service.commands._writing import folder_at, whole_file
    from service.handover.departure import require_consent
    from service.handover.everything import everything
    from service.standard.codec import encode
    from service.standard.meta import instant
    from service.store.record import RecordQuery

    path = _file_of(patient, to)
    with store.reader(snapshot=True) as connection:
        page = everything(connection, OPERATOR, RecordQuery(patient))
        if not despite_consent:
            require_consent(connection, replace(OPERATOR, reference=recipient), patient)
    base = base_of(settings)
    now = encode(instant(time.time_ns() // 1000))
    folder_at(path.parent)
    with whole_file(path) as stream:
        stream.write(b'{"resourceType":"Bundle","type":"collection","timestamp":' + now)
        stream.write(b',"entry":[')
        for number, stored in enumerate((*page.own, *page.shared)):
            full_url = encode(f"{base}/{stored.reference}")
            stream.write(b",\n" if number else b"\n")
            stream.write(b'{"fullUrl":' + full_url + b',"resource":' + (stored.body or b"") + b"}")
        stream.write(b"\n]}\n")
    count = len(page.own) + len(page.shared)
    say(f"Wrote {counted(count, 'resource')} to {path}")


def _export_transaction(
    store: Store,
    patient: str,
    to: Path,
    settings: Settings,
    recipient: str,
    despite_consent: bool,
) -> None:
    from service.commands._opening import OPERATOR
    from service.commands._writing import folder_at, whole_file
    from service.handover.departure import departure

    path, base = _file_of(patient, to), base_of(settings)
    with store.reader(snapshot=True) as connection:
        body, count = departure(
            connection,
            replace(OPERATOR, reference=recipient),
            patient,
            base,
            settings.max_body,
            despite_consent=despite_consent,
        )
    folder_at(path.parent)
    with whole_file(path) as stream:
        stream.write(body + b"\n")
    say(f"Wrote {counted(count, 'resource')} and their Provenance to {path}")


def _file_of(patient: str, to: Path) -> Path:
    return to / f"Patient-{patient}.json" if to.is_dir() else to


def _export_all(store: Store, to: Path, recipient: str, despite_consent: bool) -> None:
    from service.commands._opening import OPERATOR
    from service.commands._progress import metered
    from service.commands._writing import folder_at, whole_file
    from service.standard.registry import RESOURCE_TYPES
    from service.store import walk
    from service.store.consents import disclosure_to, who_denies

    if to.exists() and not to.is_dir():
        raise RefusedError(
            f"--to: {to} is a file; without --patient it has to be a folder", MISUSED
        )
    folder_at(to)
    count = 0
    with store.reader(snapshot=True) as connection:
        whom = replace(OPERATOR, reference=recipient)
        if not despite_consent:
            disclosure = disclosure_to(whom, time.time_ns() // 1000)
            whom = replace(whom, denied=who_denies(connection, disclosure))
        types = walk.present_types(connection, whom)
        total = walk.present_size(connection, whom)
        with metered("Exporting", total, "resources") as meter:
            for kind in types:
                with whole_file(to / f"{kind}.ndjson") as stream:
                    for body in walk.bodies(connection, whom, kind):
                        stream.write(body + b"\n")
                        count += 1
                        meter.advance(1, 1)
    for kind in RESOURCE_TYPES:
        # Left there by an export before: there is no such resource any more.
        if kind not in types:
            (to / f"{kind}.ndjson").unlink(missing_ok=True)
    say(f"Wrote {counted(count, 'resource')} to {to}: {counted(len(types), 'file')}")
    if whom.denied:
        told = counted(len(whom.denied), "client")
        complain(f"hyoid: left out {told} whose Consent denies it (see --despite-consent)")
