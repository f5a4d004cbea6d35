"""Which clients deny that their records are disclosed like this? Asked where a record leaves.

Only Consents whose bytes can hold a denial are read, a page at a time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

from service.caller import Caller
from service.errors import TooCostly
from service.standard.codec import decode_resource
from service.standard.consents import Disclosure, denies
from service.standard.definitions import definitions
from service.store.caseload import FENCE, own_client
from service.store.connection import Connection
from service.store.sql import AT_ONCE, batches, marks, padded

MOST = 2_000
"""Clients that may deny one export; with more of them its conditions would become too long."""

_PAGE = 1_000
_SIGNS = (b'"deny"', b"OPTOUT", b'"modifierExtension"', b'"implicitRules"', b'"provision"')


def disclosure_to(caller: Caller, at: int) -> Disclosure:
    """What goes to this caller now; what for is not known."""
    known = {caller.reference} if caller.reference else set()
    return Disclosure(frozenset(known | (caller.tied or frozenset())), None, at)


def who_denies(
    connection: Connection, disclosure: Disclosure, patients: Iterable[str] | None = None
) -> frozenset[str]:
    """Ids of the clients, of these or of all, with an active Consent that denies it.

    Raises TooCostly where they are more than `MOST`.
    """
    found: set[str] = set()
    among: list[Sequence[str] | None] = [None]
    if patients is not None:
        among = list(batches(sorted(set(patients)), AT_ONCE))
    for some in among:
        _add(connection, disclosure, some, found)
    return frozenset(found)


def are_known_to(connection: Connection, caller: Caller, denied: Iterable[str]) -> bool:
    """Whether the caller sees one of these clients otherwise, and so may learn that some deny."""
    own = own_client(caller, "r", "p.id")
    if own is None:
        return any(True for _ in denied)
    return any(
        connection.row(
            "SELECT 1 FROM resource p WHERE p.type = 'Patient'"
            f" AND p.id IN ({marks(len(some))}) AND {own[0]} LIMIT 1",
            (*some, *own[1]),
        )
        for some in batches(sorted(denied), AT_ONCE)
    )


def _add(
    connection: Connection,
    disclosure: Disclosure,
    patients: Sequence[str] | None,
    found: set[str],
) -> None:
    holds = (
        "instr(v.body, ?) > 0" if connection.dialect == "sqlite" else "position(? in v.body) > 0"
    )
    signs = " OR ".join([holds] * len(_SIGNS))
    ids = padded(patients) if patients is not None else ()
    tables, narrowed = "resource r CROSS JOIN compartment c", ""
    if patients is not None:
        tables = "compartment c CROSS JOIN resource r"
        narrowed = f" AND c.type = 'Consent' AND c.patient IN ({marks(len(ids))})"
    after = ""
    while True:
        rows = connection.rows(
            f"SELECT r.id, c.patient, CASE WHEN {signs} THEN v.body END"
            f" FROM {tables} CROSS JOIN version v"
            " WHERE r.type = 'Consent' AND r.deleted = FALSE AND c.rid = r.rid AND v.seq = r.seq"
            " AND c.patient <> '' AND r.id > ?"
            " AND EXISTS (SELECT 1 FROM index_token t WHERE t.rid = r.rid"
            f" AND t.param = {_status()} AND t.code = 'active'{FENCE}){narrowed}"
            " ORDER BY r.id LIMIT ?",
            (*_SIGNS, after, *ids, _PAGE),
        )
        for _, patient, body in rows:
            if body is not None and denies(decode_resource(bytes(body)), disclosure):
                found.add(patient)
        if len(found) > MOST:
            raise TooCostly(
                f"More than {MOST} clients deny this disclosure: export fewer at a time, by Group"
            )
        if len(rows) < _PAGE:
            return
        after = rows[-1][0]


@cache
def _status() -> int:
    parameter = definitions().search_parameter("Consent", "status")
    assert parameter is not None
    return parameter.number
