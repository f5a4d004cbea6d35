"""What does a set of resources refer to, directly and through one another, within one record?

R4, documents page: a document holds whatever its Composition reaches. Nothing of another client is
followed, and the client's name for it is given back as left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.caller import Caller
from service.standard.mentions import Name, referred
from service.store.belonging import belonging
from service.store.connection import Connection
from service.store.rows import Stored


@dataclass(frozen=True, slots=True)
class Closure:
    """What was reached: the roots in their order, then level by level in the order of mention.

    `left_out` are the names of what was referred to and is not there, is not visible, or belongs
    to another client; which of these is not told.
    """

    found: tuple[Stored, ...]
    left_out: frozenset[Name]


def closure(
    connection: Connection,
    caller: Caller,
    roots: Iterable[Name],
    patient: str | None,
    base: str = "",
) -> Closure:
    """Everything that is reached from `roots` ((type, id)) within the record of `patient` (an id;
    None: only what belongs to nobody).

    `base` is the FHIR base URL, below which absolute references are local. Give a connection with
    one snapshot. Costs one look-up a resource that is reached, whatever the size of the store.
    """
    found: dict[Name, Stored] = {}
    left_out: set[Name] = set()
    wanted = list(dict.fromkeys(roots))
    while wanted:
        fetched = belonging(connection, caller, wanted, patient)
        left_out.update(name for name in wanted if name not in fetched)
        level = [fetched[name] for name in wanted if name in fetched]
        found |= {(stored.type, stored.id): stored for stored in level}
        mentioned = (name for stored in level for name in referred(stored.body or b"", base))
        wanted = [
            name for name in dict.fromkeys(mentioned) if name not in found and name not in left_out
        ]
    return Closure(tuple(found.values()), frozenset(left_out))


def reached_from(start: Stored, found: Iterable[Stored], base: str = "") -> list[Stored]:
    """Those of `found` that are reached from `start`, in the order in which they are mentioned,
    level by level; `start` itself left out."""
    held = {(stored.type, stored.id): stored for stored in found}
    held.pop((start.type, start.id), None)
    arranged: list[Stored] = []
    level = [start]
    while level:
        mentioned = [name for stored in level for name in referred(stored.body or b"", base)]
        level = [held.pop(name) for name in dict.fromkeys(mentioned) if name in held]
        arranged += level
    return arranged
