"""Which resource does a conditional write or a conditional reference mean?"""

from __future__ import annotations

from collections.abc import Sequence

from service.errors import Invalid
from service.standard.conditions import parse_criteria
from service.standard.search_query import parse_search
from service.standard.terminology.for_search import Expander
from service.store.rows import Stored
from service.store.searching import find
from service.store.unit import Unit
from service.terminology.stored import StoredLibrary


def matches(unit: Unit, resource_type: str, search: str, base: str, where: str) -> list[Stored]:
    """Up to two current resources that meet a search, written as a query string.

    `where` is where it was written, for refusals. Raises Invalid or Malformed.
    """
    return matches_of(unit, resource_type, parse_criteria(search, where, resource_type), base)


def matches_of(
    unit: Unit, resource_type: str, criteria: Sequence[tuple[str, str]], base: str
) -> list[Stored]:
    """The same with the search taken apart. What is not understood is refused, not ignored."""
    reader = unit.reader()
    expander = Expander(StoredLibrary(reader, unit.caller))
    query = parse_search(resource_type, criteria, strict=True, base=f"{base}/", expander=expander)
    if not query.criteria:
        raise Invalid("A condition must say what to look for", code="value")
    return find(reader, unit.caller, query)
