"""$lastn: the last values of every measure of one client.

R4: OperationDefinition-Observation-lastn. `Observation/$lastn?patient=…&category=…&max=3`; the
other search parameters of Observation narrow it.
"""

from __future__ import annotations

from urllib.parse import urlencode

from service.errors import Invalid
from service.rest.call import Answer, Call, Service
from service.rest.negotiation import preference
from service.rest.one_client import require_one_client
from service.rest.routing import Interaction
from service.rest.search import search_pairs
from service.rest.searchset import searchset
from service.standard.search_query import parse_search
from service.standard.terminology.for_search import Expander
from service.store.searching.latest import latest
from service.terminology.stored import StoredLibrary

_SUBJECTS = frozenset({"patient", "subject"})
_CODED = frozenset(
    {"category", "code", "combo-code", "component-code"}
    | {
        f"{part}code-value-{kind}"
        for part in ("", "combo-", "component-")
        for kind in ("concept", "quantity")
    }
)


def show_last(service: Service, call: Call, asked: Interaction) -> Answer:
    """Observation/$lastn."""
    given = search_pairs(call)
    pairs = [pair for pair in given if pair[0] != "max"]
    most = _most([value for name, value in given if name == "max"])
    names = {name.split(":")[0].split(".")[0] for name, _ in pairs}
    if not names & _SUBJECTS:
        raise Invalid("$lastn needs patient or subject", code="required", location="http.patient")
    if not names & _CODED:
        raise Invalid("$lastn needs category or code", code="required", location="http.category")
    strict = preference(call.headers.get("prefer", "")).strict
    with call.reading(snapshot=True) as connection:
        expander = Expander(StoredLibrary(connection, call.caller))
        query = parse_search(
            "Observation", pairs, strict=strict, base=f"{call.base}/", expander=expander
        )
        require_one_client(call.caller, query)
        found = latest(connection, call.caller, query, most)
    understood = [*query.understood, *((("max", str(most)),) if most != 1 else ())]
    address = f"{call.base}/Observation/$lastn?{urlencode(understood, safe=':/,$')}"
    entries = [(stored, "match") for stored in found]
    return Answer(200, searchset(call.base, entries, links=[("self", address)], total=len(found)))


def _most(given: list[str]) -> int:
    if not given:
        return 1
    text = given[0]
    if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) > 0):
        raise Invalid(
            f"max is a whole number above 0, not {text[:40]!r}", code="value", location="http.max"
        )
    return int(text)
