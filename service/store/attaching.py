"""May this DocumentReference lead to these Binaries? A Binary is seen through what leads to it.

So who sees some clients only must not make it his by leading to it, not even to one that nobody
leads to yet: he may name a Binary that is of his own making, or guarded like something of his
clients, or that a DocumentReference of his clients led to before; and none that a record of another
client leads to. One that is not there is refused in the same way, lest the refusal tell which there
are.
"""

from __future__ import annotations

from service.caller import Caller
from service.standard.definitions import definitions
from service.standard.search_values import SECURITY_CONTEXT
from service.store.caseload import FENCE, own_client
from service.store.connection import Connection
from service.store.keepers import kept_by
from service.store.rows import Stored
from service.store.sql import marks

_PREFIX = "Binary/"


class Attaching:
    """Where the DocumentReferences lead that one caller writes in one unit of work."""

    def __init__(self, caller: Caller, start: int) -> None:
        """`start` is the number of the last change before the unit."""
        self._caller = caller
        self._start = start
        self._before: set[str] = set()

    def led_before(self, connection: Connection, document: Stored) -> None:
        """Remember where it leads, before it is changed. What this unit wrote is no proof."""
        if document.seq > self._start or own_client(self._caller, "u", "k.patient") is None:
            return
        rows = connection.rows(
            f"SELECT value FROM index_uri WHERE rid = ? AND param = {_location()}", (document.rid,)
        )
        self._before |= {value for (value,) in rows if value.startswith(_PREFIX)}

    def may(self, connection: Connection, letter: str, rid: int) -> bool:
        """Whether the DocumentReference `rid` may lead to every Binary that it leads to."""
        own = own_client(self._caller, letter, "k.patient")
        if own is None:
            return True
        # What follows `Binary/`.
        binary = "FROM resource b WHERE b.type = 'Binary' AND b.id = substr(u.value, 8)"
        kept = kept_by(self._caller, "b.rid")
        led = (
            f"FROM index_uri o CROSS JOIN compartment k WHERE o.param = {_location()}"
            " AND o.value = u.value AND k.rid = o.rid AND k.patient <> ''"
        )
        earlier = (
            f"SELECT 1 {led} AND {own[0]}"
            " AND (SELECT e.seq FROM resource e WHERE e.rid = o.rid) <= ?"
        )
        guarded = (
            "SELECT 1 FROM index_reference g CROSS JOIN resource t CROSS JOIN compartment k"
            f" WHERE g.rid = b.rid AND g.param = {SECURITY_CONTEXT} AND t.type = g.target_type"
            f" AND t.id = g.target_id AND k.rid = t.rid AND k.patient <> '' AND {own[0]}"
        )
        before = sorted(self._before)
        among = f"u.value IN ({marks(len(before))}) OR " if before else ""
        own_making = f"{kept[0]} OR EXISTS ({guarded}{FENCE})"
        free = (
            f"({among}EXISTS (SELECT 1 {binary} AND ({own_making}){FENCE})"
            f" OR EXISTS ({earlier}{FENCE}))"
        )
        there = f"EXISTS (SELECT 1 {binary}{FENCE})"
        foreign = f"EXISTS (SELECT 1 {led} AND NOT {own[0]}{FENCE})"
        taken = connection.row(
            f"SELECT 1 FROM index_uri u WHERE u.rid = ? AND u.param = {_location()}"
            " AND u.value LIKE 'Binary/%'"
            f" AND NOT ({there} AND {free} AND NOT {foreign}){FENCE}",
            (rid, *before, *kept[1], *own[1], *own[1], self._start, *own[1]),
        )
        return taken is None


def _location() -> int:
    return definitions().parameter_number("DocumentReference", "location")
