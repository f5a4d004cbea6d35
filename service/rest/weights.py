"""How many ordinary requests does this one count as, where the rate of a caller is limited?

What goes through a whole record, or through many, weighs more. Common practice, no source; the
numbers are of the order of what was measured.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.errors import HyoidError
from service.rest.entry_call import path_of
from service.rest.routing import Interaction, interaction_of
from service.standard.bundles import PlannedEntry

ORDINARY = 1
_IN_ONE_COMMIT = 5
"""So many writes of a transaction count as one: they are checked like others, and kept at once."""

_OPERATIONS = {
    "$export": 50,
    "$document": 20,
    "$summary": 20,
    "$everything": 20,
    "$progress": 20,
    "$stats": 10,
    "$diff": 10,
    "$apply": 5,
    "$extract": 5,
    "$derive": 5,
    "$expand": 5,
}
_INTERACTIONS = {"transaction": 5, "export-file": 5, "search-system": 3, "history-system": 3}


def weight_of(asked: Interaction) -> int:
    """What it counts as."""
    if asked.name == "operation":
        return _OPERATIONS.get(asked.detail or "", ORDINARY)
    return _INTERACTIONS.get(asked.name, ORDINARY)


def weight_of_entries(kind: str, entries: Iterable[PlannedEntry]) -> int:
    """What a Bundle counts as: its entries together, but no less than an empty one."""
    alone = together = 0
    for entry in entries:
        if kind == "transaction" and entry.writes:
            together += 1
        else:
            alone += _weight_of_entry(entry)
    return max(_INTERACTIONS["transaction"], alone + together // _IN_ONE_COMMIT)


def _weight_of_entry(entry: PlannedEntry) -> int:
    if entry.refusal is not None:
        return ORDINARY
    try:
        return weight_of(interaction_of(entry.method, path_of(entry.url)))
    except HyoidError:
        return ORDINARY
