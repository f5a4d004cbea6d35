"""Which resources of a client's record may go to another record, as one transaction?

Those of $everything that belong to this client alone, or to nobody, as in a document
(`store/belonging.py`): a Group of several clients, or a value of another client that this one is
named on, is no part of what is handed over.
"""

from __future__ import annotations

import time

from service.caller import Caller
from service.errors import Forbidden, TooLarge
from service.handover.everything import everything
from service.handover.transaction_bundle import transaction_bundle
from service.standard.mentions import Name, referred
from service.store.belonging import belonging
from service.store.connection import Connection
from service.store.consents import disclosure_to, who_denies
from service.store.record import RecordQuery
from service.store.rows import Stored


def departing(
    connection: Connection, caller: Caller, patient: str, base: str
) -> tuple[list[Stored], set[Name]]:
    """The Patient first, then the record, then what is shared; and the names of what is referred
    to but does not come along. Raises NotFound or Gone where there is no such patient."""
    page = everything(connection, caller, RecordQuery(patient))
    listed = [*page.own, *page.shared]
    names = [(stored.type, stored.id) for stored in listed]
    kept = belonging(connection, caller, names, patient)
    record = [stored for stored in listed if (stored.type, stored.id) in kept]
    mentioned = {name for stored in record for name in referred(stored.body or b"", base)}
    return record, mentioned - set(kept)


def require_consent(connection: Connection, caller: Caller, patient: str) -> None:
    """Raise Forbidden where a Consent of the client denies that the record goes to the caller."""
    now = time.time_ns() // 1000
    if who_denies(connection, disclosure_to(caller, now), (patient,)):
        raise Forbidden(
            "A Consent of the client denies that the record is disclosed like this",
            code="suppressed",
        )


def departure(
    connection: Connection,
    caller: Caller,
    patient: str,
    base: str,
    most: int,
    *,
    despite_consent: bool = False,
) -> tuple[bytes, int]:
    """The transaction Bundle of a client, and how many resources of the record are in it.

    A transaction cannot be parted. Raises TooLarge where it has more than `most` bytes, Forbidden
    where the client denies that the record is disclosed to this caller, unless `despite_consent`.
    """
    record, left_out = departing(connection, caller, patient, base)
    if not despite_consent:
        require_consent(connection, caller, patient)
    size = sum(len(stored.body or b"") for stored in record)
    if size <= most:
        body = transaction_bundle(record, left_out, base)
        size = len(body)
        if size <= most:
            return body, len(record)
    raise TooLarge(
        f"The record has {size} bytes, more than the {most} that one transaction may have; take it"
        " page by page, without bundle-type"
    )
