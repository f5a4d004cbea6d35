"""Which of these resources belong to this client, or to nobody? For what leaves as a document.

What somebody sees who may see this client only (`visibility.py`), whoever asks; and stricter than
the compartment: what lies in the record of another client as well (a Group of several, a Condition
of one client that another asserted) belongs to neither.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.caller import Caller
from service.standard.mentions import Name
from service.store.connection import Connection
from service.store.current import named_versions
from service.store.index import SHARED
from service.store.rows import Stored
from service.store.visibility import and_visible

_ALL = frozenset({"system/*.cruds"})


def belonging(
    connection: Connection, caller: Caller, names: Sequence[Name], patient: str | None
) -> dict[Name, Stored]:
    """The current versions, by name, of those that are there, are visible, and lie in the record
    of this Patient alone or in nobody's; without a `patient`, in nobody's only."""
    alone = frozenset() if patient is None else frozenset({patient})
    narrowed, params = and_visible(caller, "r.rid")
    only, mine = and_visible(Caller(caller.name, _ALL, alone), "r.rid")
    own = (SHARED, SHARED if patient is None else patient)
    own_self = "NOT (k.type = 'Patient' AND r.type = 'Patient' AND r.id = ?) AND "
    found = named_versions(
        connection,
        names,
        "EXISTS (SELECT 1 FROM compartment k WHERE k.rid = r.rid AND k.patient IN (?, ?))"
        f" AND NOT EXISTS (SELECT 1 FROM compartment k WHERE {own_self}k.rid = r.rid"
        f" AND k.patient NOT IN (?, ?)){narrowed}{only}",
        (*own, own[1], *own, *params, *mine),
    )
    return {(stored.type, stored.id): stored for stored in found}
