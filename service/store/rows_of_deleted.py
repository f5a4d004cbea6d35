"""Which search rows of a deleted resource stay, so that whoever saw it is told of its deletion?

What lies in nobody's record is seen by what it leads to (`visibility.py`), and a client by whose it
is (`caseload.py`). So these references stay, under numbers that no search parameter has: a search
never meets them.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from service.standard.definitions import definitions
from service.standard.search_values import SearchValues
from service.store.connection import Connection
from service.store.sql import batches, marks

_FIRST = -10
"""Below every number of a parameter, and of what stands for one (`SECURITY_CONTEXT`), lie those of
rows that stay."""
_LOWEST = -2


def number_of_deleted(number: int) -> int:
    """The number of these rows once their resource is deleted."""
    return _FIRST - number


@cache
def ties() -> tuple[int, ...]:
    """The numbers of the parameters of Patient that say whose client somebody is."""
    number = definitions().parameter_number
    return number("Patient", "organization"), number("Patient", "general-practitioner")


def keep_references(connection: Connection, rids: Sequence[int]) -> None:
    """Let those references of these resources stay that are to; call before rows are removed."""
    for batch in batches(rids):
        connection.run(
            f"UPDATE index_reference SET param = {_FIRST} - param"
            f" WHERE rid IN ({marks(len(batch))}) AND param > {_LOWEST}"
            f" AND (param IN ({', '.join(map(str, ties()))}) OR EXISTS (SELECT 1"
            " FROM compartment k WHERE k.rid = index_reference.rid AND k.patient = ''))",
            batch,
        )


def remove_references(connection: Connection, keys: Sequence[tuple[int]]) -> None:
    """Take the others out."""
    connection.many(f"DELETE FROM index_reference WHERE rid = ? AND param > {_LOWEST}", keys)


def values_of_deleted(values: SearchValues) -> SearchValues:
    """What stays of the search values of a resource that was deleted."""
    stay = [
        (number_of_deleted(row[0]), *row[1:])
        for row in values.references
        if not values.patients or row[0] in ties()
    ]
    return SearchValues(references=stay, patients=values.patients)
