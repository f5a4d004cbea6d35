"""Is this question about one client? Breaking the glass opens one record, not the whole house.

Under the glass a search names one resource by its id, one client whose record it is of, or it is
for a person by an identifier, or by name and day of birth. What lists without such a name is
refused: exports, searches of the whole service, histories of types. So is what leads on from there
to others: includes, and a Bundle of questions.
"""

from __future__ import annotations

from functools import cache

from service.caller import Caller
from service.errors import Forbidden
from service.rest.routing import Interaction
from service.standard.extraction.walks import walk_of
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import SearchQuery
from service.standard.searching.query import (
    Condition,
    Criterion,
    DateValue,
    IdIs,
    InCompartment,
    ReferenceValue,
    TextValue,
    TokenValue,
)

_LISTING = frozenset(
    {
        "history-type",
        "history-system",
        "search-system",
        "export-status",
        "export-file",
        "transaction",
    }
)
_NAMES = frozenset({"name", "family", "given"})
_SHORTEST_NAME = 2
_DAY = 86_400_000_000
"""Microseconds."""


def refuse_listing(caller: Caller, asked: Interaction) -> None:
    """Raise Forbidden where who broke the glass asks for more than one record."""
    if caller.purpose and (asked.name in _LISTING or asked.detail == "$export"):
        raise _too_wide()


def require_one_client(caller: Caller, query: SearchQuery) -> None:
    """The same for a search, by its criteria. Raises Forbidden."""
    if not caller.purpose:
        return
    if query.shape.includes:
        raise Forbidden(
            "A reason opens one client's record, and nothing that is included with it: ask for"
            " Patient/[id]/$everything, or one resource at a time",
            location="http.X-Purpose",
        )
    if not any(map(_names_one, query.criteria)) and not _is_person(query):
        raise _too_wide()


def _names_one(criterion: Criterion) -> bool:
    match criterion:
        case InCompartment():
            return True
        case IdIs(ids=(_,), negated=False):
            return True
        case Condition(values=(ReferenceValue(type=None | "Patient", id=str()),), modifier=""):
            return all(
                each.code == "patient" or each.number in _of_records()
                for each in criterion.parameters
            )
        case Condition(values=(TokenValue(code=str()),), modifier=""):
            return {(each.type, each.code) for each in criterion.parameters} == {
                ("Patient", "identifier")
            }
    return False


def _is_person(query: SearchQuery) -> bool:
    """Whether somebody is looked for by name and day of birth."""
    named = born = False
    for criterion in query.criteria:
        match criterion:
            case Condition(parameters=(one,), values=(TextValue(text=text),)):
                named |= one.code in _NAMES and len(text) >= _SHORTEST_NAME
            case Condition(
                parameters=(one,), values=(DateValue(prefix="eq", low=low, high=high),), modifier=""
            ):
                born |= one.code == "birthdate" and high - low < _DAY
    return named and born


@cache
def _of_records() -> frozenset[int]:
    """The numbers of the parameters that say whose record something lies in."""
    return frozenset().union(*(walk_of(kind).compartment for kind in RESOURCE_TYPES))


def _too_wide() -> Forbidden:
    return Forbidden(
        "A reason opens one client's record at a time: name the client (patient, _id, identifier,"
        " or name and birthdate)",
        location="http.X-Purpose",
    )
