"""Which resource does a conditional write or a conditional reference mean?"""

from __future__ import annotations

from service.store.rows import Stored
from service.store.unit import Unit


def matches(unit: Unit, resource_type: str, condition: str) -> list[Stored]:
    """Up to two current resources that meet a search, written as a query string."""
    raise NotImplementedError
