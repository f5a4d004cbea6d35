"""May this DocumentReference lead to these Binaries? A Binary is seen through what leads to it.

So who sees some clients only must not make it his by leading to it: he may name a Binary that is
there and that no record of another client leads to yet. One that is not there is refused in the
same way, lest the refusal tell which there are.
"""

from __future__ import annotations

from service.caller import Caller
from service.standard.definitions import definitions
from service.store.caseload import FENCE, own_client
from service.store.connection import Connection


def may_attach(connection: Connection, caller: Caller, letter: str, rid: int) -> bool:
    """Whether every Binary that the DocumentReference `rid` leads to is free, or the caller's."""
    own = own_client(caller, letter, "k.patient")
    if own is None:
        return True
    location = definitions().parameter_number("DocumentReference", "location")
    # What follows `Binary/`.
    named = "b.type = 'Binary' AND b.id = substr(u.value, 8)"
    there = f"SELECT 1 FROM resource b WHERE {named}{FENCE}"
    foreign = (
        "SELECT 1 FROM index_uri o CROSS JOIN compartment k"
        f" WHERE o.param = {location} AND o.value = u.value AND k.rid = o.rid"
        f" AND k.patient <> '' AND NOT {own[0]}{FENCE}"
    )
    taken = connection.row(
        f"SELECT 1 FROM index_uri u WHERE u.rid = ? AND u.param = {location}"
        " AND u.value LIKE 'Binary/%'"
        f" AND (NOT EXISTS ({there}) OR EXISTS ({foreign})){FENCE}",
        (rid, *own[1]),
    )
    return taken is None
