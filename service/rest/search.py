"""search: which resources meet these criteria? Of a type, of the service, of a client's record.

R4: http://hl7.org/fhir/R4/http.html#search, http://hl7.org/fhir/R4/search.html. The Bundle is
joined from the stored bytes; only `_summary` and `_elements` need a resource to be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import parse_qsl, urlencode

from service.errors import Malformed, NotFound, UnsupportedMediaType
from service.rest.call import Answer, Call, Service
from service.rest.negotiation import preference
from service.rest.one_client import require_one_client
from service.rest.routing import Interaction
from service.rest.searchset import searchset
from service.standard.codec import decode_resource, encode
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import SearchQuery, parse_search
from service.standard.searching.query import Shape
from service.standard.searching.subset import cuts, subset
from service.standard.terminology.for_search import Expander
from service.store.rows import Stored
from service.store.searching import Found, search
from service.terminology.stored import StoredLibrary

_FORM = "application/x-www-form-urlencoded"
_MOST_PAIRS = 500


def search_type(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET [type]?… and POST [type]/_search."""
    return _search(service, call, asked.type, (asked.type or "",))


def search_system(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET ?_type=… and POST _search."""
    return _search(service, call, None, ())


def search_compartment(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET Patient/[id]/[type]?… and Patient/[id]/*."""
    assert asked.id is not None
    assert asked.detail is not None
    if asked.detail != "*" and asked.detail not in RESOURCE_TYPES:
        raise NotFound(f"This service holds no resources of type {asked.detail[:64]!r}")
    type_ = None if asked.detail == "*" else asked.detail
    return _search(service, call, type_, ("Patient", asked.id, asked.detail), asked.id)


def _search(
    service: Service,
    call: Call,
    type_: str | None,
    path: tuple[str, ...],
    compartment: str | None = None,
) -> Answer:
    strict = preference(call.headers.get("prefer", "")).strict
    pairs, settings = search_pairs(call), service.settings
    with call.reading(snapshot=True) as connection:
        query = parse_search(
            type_,
            pairs,
            strict=strict,
            compartment=compartment,
            base=f"{call.base}/",
            expander=Expander(StoredLibrary(connection, call.caller)),
        )
        require_one_client(call.caller, query)
        wanted = settings.page_size if query.shape.count is None else query.shape.count
        count = min(wanted, settings.max_page_size)
        found = search(connection, call.caller, query, count=count, secret=service.cursor_key)
    return Answer(200, _bundle(call, query, found, "/".join((call.base, *path))))


def search_pairs(call: Call) -> Sequence[tuple[str, str]]:
    """The pairs of the address and, of a POST, of the form."""
    if call.method != "POST" or not call.body:
        return call.query
    declared = call.headers.get("content-type", _FORM).split(";")[0].strip().lower()
    if declared != _FORM:
        raise UnsupportedMediaType(f"A search is posted as {_FORM}", location="http.Content-Type")
    try:
        form = parse_qsl(
            call.body.decode("utf-8"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=_MOST_PAIRS,
        )
    except ValueError:
        raise Malformed(
            f"The form cannot be read: percent-encode it as UTF-8, at most {_MOST_PAIRS} parameters"
        ) from None
    return (*call.query, *form)


def _bundle(call: Call, query: SearchQuery, found: Found, url: str) -> bytes:
    entries = [(_shown(stored, query.shape, match=True), "match") for stored in found.matches]
    entries += [(_shown(stored, query.shape, match=False), "include") for stored in found.included]
    return searchset(
        call.base,
        entries,
        links=links_of(query, url, before=found.previous, after=found.next),
        total=found.total,
        told=(*query.ignored, *found.issues),
    )


def links_of(
    query: SearchQuery, url: str, *, before: str | None = None, after: str | None = None
) -> list[tuple[str, str]]:
    """The links of a page; `before` and `after` are cursors of its neighbours."""
    kept = [pair for pair in query.understood if pair[0] != "_cursor"]

    def link(cursor: str | None) -> str:
        pairs = kept if cursor is None else [*kept, ("_cursor", cursor)]
        text = urlencode(pairs, safe=":/,$")
        return f"{url}?{text}" if text else url

    links = [("self", link(query.shape.cursor))]
    if query.shape.cursor is not None:
        links.append(("first", link(None)))
    if before is not None:
        links.append(("previous", link(before)))
    if after is not None:
        links.append(("next", link(after)))
    return links


def _shown(stored: Stored, shape: Shape, *, match: bool) -> Stored:
    """As stored, or cut to what `_summary` or `_elements` ask for."""
    if not cuts(shape):
        return stored
    resource = decode_resource(stored.body or b"")
    return stored._replace(body=encode(subset(resource, shape, match=match)))
