"""Whose records may this caller see? The one place that turns it into SQL.

A resource that lies in no client's compartment (a practitioner, a value set) is shared by all.
The compartment rows of a deleted resource stay, so that its history stays hidden too.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.caller import Caller
from service.errors import Forbidden
from service.store.index import SHARED


def visible(caller: Caller, rid: str) -> tuple[str, tuple[Any, ...]] | None:
    """A condition on the column `rid` (SQL text, for instance `r.rid`) and its parameters.

    None where the caller may see every client, so that the common case costs nothing.
    """
    rows = visible_rows(caller, rid)
    return None if rows is None else (f"EXISTS (SELECT 1 {rows[0]})", rows[1])


def visible_rows(caller: Caller, rid: str) -> tuple[str, tuple[Any, ...]] | None:
    """`FROM … WHERE …` of the rows that make it visible; there must be one."""
    if caller.clients is None:
        return None
    clients = (SHARED, *sorted(caller.clients))
    marks = ", ".join("?" * len(clients))
    return f"FROM compartment c WHERE c.rid = {rid} AND c.patient IN ({marks})", clients


def and_visible(caller: Caller, rid: str) -> tuple[str, tuple[Any, ...]]:
    """The same as text to append to a WHERE clause; empty where nothing narrows."""
    condition = visible(caller, rid)
    return ("", ()) if condition is None else (f" AND {condition[0]}", condition[1])


def require_own(caller: Caller, patients: Iterable[str]) -> None:
    """Raise Forbidden where a resource would be written into another's client's record."""
    if caller.clients is not None and not caller.clients.issuperset(patients):
        raise Forbidden("The resource belongs to the record of a client who is not yours")
