"""Whose clients? Those named, and those of the organisations, teams and practitioners tied to.

A client is of an organisation or practitioner where Patient.managingOrganization or
Patient.generalPractitioner names it, or where it is a member of an active CareTeam for the client;
of a CareTeam where that is active and for the client. Parts of an organisation are named by
themselves. CareTeam.managingOrganization is not asked: R4 has no search parameter for it.

Every condition is a few look-ups by key for one client.
"""

from __future__ import annotations

from typing import Any

from service.caller import Caller
from service.standard.definitions import definitions
from service.store.rows_of_deleted import number_of_deleted, ties
from service.store.sql import marks, pair_marks

Condition = tuple[str, tuple[Any, ...]]
"""SQL text and its parameters."""

FENCE = " LIMIT 1 OFFSET 0"
"""At the end of a select within EXISTS: PostgreSQL does not turn it into a join over all rows."""

_READING = frozenset("rs")
_ACTIVE = "active"


def is_lifted(caller: Caller, letters: str) -> bool:
    """Whether a person broke the glass, for these letters: it is for reading alone."""
    return bool(caller.purpose) and caller.kind == "person" and _READING.issuperset(letters)


def is_narrowed(caller: Caller, letter: str) -> bool:
    """Whether the caller sees some clients only."""
    if caller.tied is not None:
        return not is_lifted(caller, letter)
    return caller.clients is not None


def own_client(caller: Caller, letter: str, patient: str) -> Condition | None:
    """That the id in the column `patient` is of a client of the caller; None: whoever it is."""
    if not is_narrowed(caller, letter):
        return None
    ways: list[Condition] = []
    if caller.clients:
        ways.append((f"{patient} IN ({marks(len(caller.clients))})", tuple(sorted(caller.clients))))
    if caller.tied:
        ways += [_of_patient(caller.tied, patient), _of_team(caller.tied, patient)]
    if not ways:
        return "FALSE", ()
    text = " OR ".join(way for way, _ in ways)
    return f"({text})", tuple(value for _, values in ways for value in values)


def clients_of_tied(caller: Caller) -> Condition | None:
    """A select of the ids of the clients tied to; None where the caller has no such tie."""
    if not caller.tied:
        return None
    pairs, values = _pairs(caller.tied)
    teams = tuple(name for kind, name in map(_split, sorted(caller.tied)) if kind == "CareTeam")
    selects: list[Condition] = [
        (
            "SELECT p.id AS id FROM index_reference f CROSS JOIN resource p"
            f" WHERE f.param IN ({_ties()})"
            f" AND (f.target_id, f.target_type) IN (VALUES {pairs})"
            " AND p.rid = f.rid AND p.type = 'Patient'",
            values,
        ),
        (
            f"SELECT s.target_id FROM index_reference m CROSS JOIN index_reference s"
            f" WHERE m.param = {_number('CareTeam', 'participant')}"
            f" AND (m.target_id, m.target_type) IN (VALUES {pairs})"
            f" AND s.rid = m.rid AND s.param = {_number('CareTeam', 'patient')}"
            f" AND {_is_active('s')}",
            values,
        ),
    ]
    if teams:
        selects.append(
            (
                "SELECT s.target_id FROM resource t CROSS JOIN index_reference s"
                f" WHERE t.type = 'CareTeam' AND t.id IN ({marks(len(teams))})"
                f" AND s.rid = t.rid AND s.param = {_number('CareTeam', 'patient')}"
                f" AND {_is_active('s')}",
                teams,
            )
        )
    return " UNION ".join(text for text, _ in selects), tuple(v for _, vs in selects for v in vs)


def _of_patient(tied: frozenset[str], patient: str) -> Condition:
    pairs, values = _pairs(tied)
    return (
        "EXISTS (SELECT 1 FROM resource op CROSS JOIN index_reference oq"
        f" WHERE op.type = 'Patient' AND op.id = {patient} AND oq.rid = op.rid"
        f" AND oq.param IN ({_ties()})"
        f" AND (oq.target_id, oq.target_type) IN (VALUES {pairs}){FENCE})",
        values,
    )


def _of_team(tied: frozenset[str], patient: str) -> Condition:
    pairs, values = _pairs(tied)
    teams = tuple(name for kind, name in map(_split, sorted(tied)) if kind == "CareTeam")
    member = (
        "EXISTS (SELECT 1 FROM index_reference om WHERE om.rid = os.rid"
        f" AND om.param = {_number('CareTeam', 'participant')}"
        f" AND (om.target_id, om.target_type) IN (VALUES {pairs}){FENCE})"
    )
    if teams:
        named = f"FROM resource ot WHERE ot.rid = os.rid AND ot.id IN ({marks(len(teams))})"
        member = f"({member} OR EXISTS (SELECT 1 {named}{FENCE}))"
    return (
        "EXISTS (SELECT 1 FROM index_reference os"
        f" WHERE os.param = {_number('CareTeam', 'patient')} AND os.target_id = {patient}"
        f" AND os.target_type = 'Patient' AND {_is_active('os')} AND {member}{FENCE})",
        (*values, *teams),
    )


def _is_active(team: str) -> str:
    return (
        f"EXISTS (SELECT 1 FROM index_token oa WHERE oa.rid = {team}.rid"
        f" AND oa.param = {_number('CareTeam', 'status')} AND oa.code = '{_ACTIVE}'{FENCE})"
    )


def _pairs(tied: frozenset[str]) -> Condition:
    names = [_split(name) for name in sorted(tied)]
    return pair_marks(len(names)), tuple(part for kind, key in names for part in (key, kind))


def _split(reference: str) -> tuple[str, str]:
    kind, _, key = reference.partition("/")
    return kind, key


def _ties() -> str:
    """Of clients, deleted ones as well: who had them is told of it, and keeps their records."""
    return ", ".join(str(each) for tie in ties() for each in (tie, number_of_deleted(tie)))


def _number(kind: str, code: str) -> int:
    return definitions().parameter_number(kind, code)
