"""Which resources of a type are wanted? `_typeFilter`: searches, any of which may be met.

Bulk Data Access 3.0.0, _typeFilter. Only criteria on the resource itself, so that they can be asked
of a version that is current no more: no chains, no `_has`, no `_list`, no text search.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from urllib.parse import parse_qsl

from service.errors import Invalid, NotSupported
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import parse_search
from service.standard.searching.query import Condition, IdIs, Missing, SearchQuery, UpdatedAt
from service.standard.searching.shape import NAMES
from service.standard.terminology.for_search import Expander

_BETWEEN = re.compile(r",(?=[A-Z][A-Za-z]+\?)")
_ANSWERED = (Condition, IdIs, Missing, UpdatedAt)
_WHERE = "http._typeFilter"


def divided(text: str) -> list[str]:
    """Searches that stand in one value, as `Type?…,Type?…`."""
    return [part for part in _BETWEEN.split(text) if part]


def read_filter(text: str, base: str, now: int, expander: Expander | None = None) -> SearchQuery:
    """One search. Raises Invalid or NotSupported where it is none that an export answers."""
    kind, mark, query = text.partition("?")
    if not mark or kind not in RESOURCE_TYPES:
        raise Invalid(
            f"_typeFilter: {text[:80]!r} is not a search of one of our types, as Type?name=value",
            code="value",
            location=_WHERE,
        )
    try:
        pairs = parse_qsl(query, keep_blank_values=True, errors="strict", max_num_fields=100)
    except ValueError:
        raise Invalid("_typeFilter cannot be read", code="value", location=_WHERE) from None
    for name, _ in pairs:
        if name.partition(":")[0] in NAMES:
            raise NotSupported(f"_typeFilter does not take {name[:40]!r}", location=_WHERE)
    found = parse_search(
        kind, pairs, strict=True, base=f"{base}/", now=now, expander=expander or Expander()
    )
    if not all(isinstance(criterion, _ANSWERED) for criterion in found.criteria):
        raise NotSupported(
            "_typeFilter takes criteria on the resource itself: no chains, no _has, no _list, no"
            " text search",
            location=_WHERE,
        )
    return found


def filters_by_type(
    texts: Iterable[str], base: str, now: int, expander: Expander
) -> dict[str, Sequence[SearchQuery]]:
    """The searches of each type that has any."""
    found: dict[str, list[SearchQuery]] = {}
    for text in texts:
        query = read_filter(text, base, now, expander)
        found.setdefault(query.types[0], []).append(query)
    return dict(found)
