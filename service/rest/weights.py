"""How many ordinary requests does this one count as, where the rate of a caller is limited?

What goes through a whole record, or through many, weighs more. Common practice, no source; the
numbers are of the order of what was measured.
"""

from __future__ import annotations

from service.rest.routing import Interaction

ORDINARY = 1

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
