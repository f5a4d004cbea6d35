"""Who made what lies in no client's record, of those who see some clients only?

By that they may change it, and a Binary that nothing leads to is seen by nobody else of them. What
was made for some organisations, teams or practitioners is kept by whoever is tied to all of these;
what was made by who is tied to none, by that caller alone.
"""

from __future__ import annotations

from service.caller import Caller
from service.standard.definitions import definitions
from service.store.caseload import FENCE, Condition, is_narrowed
from service.store.connection import Connection
from service.store.sql import marks


def keepers_of(caller: Caller) -> tuple[str, ...]:
    """Under which names the caller keeps what it makes."""
    return tuple(sorted(caller.tied)) if caller.tied else (f"{caller.kind} {caller.name}",)


def kept_by(caller: Caller, rid: str) -> Condition:
    """That the resource `rid` (SQL text) is kept by the caller."""
    names = keepers_of(caller)
    kept = f"SELECT 1 FROM keeper kp WHERE kp.rid = {rid}"
    others = f"{kept} AND kp.name NOT IN ({marks(len(names))})"
    return f"(EXISTS ({kept}{FENCE}) AND NOT EXISTS ({others}{FENCE}))", names


def is_of_others(connection: Connection, caller: Caller, kind: str, rid: int) -> bool:
    """Whether a definition has the URL of one that the caller does not keep: under that URL all
    clinics would get the newer."""
    url = definitions().search_parameter(kind, "url")
    if url is None or url.kind != "uri" or not is_narrowed(caller, "u"):
        return False
    kept = kept_by(caller, "o.rid")
    found = connection.row(
        "SELECT 1 FROM index_uri u CROSS JOIN index_uri o WHERE u.rid = ?"
        f" AND u.param = {url.number} AND o.param = u.param AND o.value = u.value"
        f" AND o.rid <> u.rid AND NOT {kept[0]}{FENCE}",
        (rid, *kept[1]),
    )
    return found is not None
