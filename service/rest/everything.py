"""$everything: one client's record as a Bundle, whole or page by page, or as a transaction.

R4, OperationDefinition Patient-everything; `bundle-type=transaction` is ours
(mappings/operations/Patient-everything.json).
"""

from __future__ import annotations

import base64
import binascii
from urllib.parse import urlencode

from service.errors import Invalid, NotSupported
from service.handover.departure import departure
from service.handover.everything import SHARED, START, Cursor, Page, everything
from service.rest.call import Answer, Call, Service
from service.rest.negotiation import COMMON
from service.rest.parameters import handed
from service.rest.routing import Interaction
from service.rest.searchset import searchset
from service.standard.grants import LISTED, require
from service.standard.partial_dates import interval
from service.standard.registry import RESOURCE_TYPES
from service.store.record import RecordQuery

_KIND = "bundle-type"
_KNOWN = frozenset({"_since", "_type", "_count", "_page", _KIND}) | COMMON


def show_everything(service: Service, call: Call, asked: Interaction) -> Answer:
    """Patient/[id]/$everything with `_since`, `_type` and `_count`, or `bundle-type`."""
    assert asked.id is not None
    given = handed(service, call)
    for name, _ in given:
        if name not in _KNOWN:
            raise NotSupported(
                f"$everything takes _since, _type and _count, or bundle-type, not {name[:40]!r}",
                location=f"http.{name[:40]}",
            )
    if _as_transaction(given):
        with call.reading(snapshot=True) as connection:
            most = service.settings.max_body
            body, _ = departure(connection, call.caller, asked.id, call.base, most)
        return Answer(200, body)
    query = RecordQuery(asked.id, _types(given), _since(given))
    for kind in query.types:
        require(call.caller, LISTED, kind)
    count = _count(given, service.settings.max_page_size)
    with call.reading(snapshot=True) as connection:
        page = everything(connection, call.caller, query, count=count, after=_after(given))
    return Answer(200, _bundle(call, given, page))


def _as_transaction(given: list[tuple[str, object]]) -> bool:
    """Whether it is to go into another record: then whole, or a reference may lead nowhere."""
    kinds = [value for name, value in given if name == _KIND]
    if not kinds:
        return False
    if kinds != ["transaction"]:
        raise Invalid(
            f"bundle-type is transaction, not {str(kinds[-1])[:40]!r}",
            code="value",
            location=f"http.{_KIND}",
        )
    for name, _ in given:
        if name not in COMMON | {_KIND}:
            raise Invalid(
                f"A transaction holds the whole record; {name} is not taken with it",
                code="value",
                location=f"http.{name}",
            )
    return True


def _bundle(call: Call, given: list[tuple[str, object]], page: Page) -> bytes:
    address = "/".join((call.base, *call.path))
    kept = [(name, str(value)) for name, value in given if name in ("_since", "_type", "_count")]

    def url(more: list[tuple[str, str]]) -> str:
        query = urlencode(kept + more)
        return f"{address}?{query}" if query else address

    links = [("self", url([]))]
    if page.next is not None:
        links.append(("next", url([("_page", _token(page.next))])))
    entries = [(stored, "match") for stored in page.own]
    entries += [(stored, "include") for stored in page.shared]
    return searchset(call.base, entries, links=links, total=page.total)


def _token(cursor: Cursor) -> str:
    return base64.urlsafe_b64encode(f"{cursor[0]} {cursor[1]}".encode()).decode().rstrip("=")


def _after(given: list[tuple[str, object]]) -> Cursor | None:
    token = next((str(value) for name, value in given if name == "_page"), None)
    if token is None:
        return None
    try:
        text = base64.urlsafe_b64decode(token + "=" * (-len(token) % 4)).decode("ascii")
        kind, number = text.split(" ")
        if kind not in (START[0], SHARED, *RESOURCE_TYPES) or len(number) > 18:
            raise ValueError
        return kind, int(number)
    except (binascii.Error, ValueError):
        raise Invalid(
            "This page link is not one of ours", code="value", location="http._page"
        ) from None


def _types(given: list[tuple[str, object]]) -> tuple[str, ...]:
    types = [part for name, value in given if name == "_type" for part in str(value).split(",")]
    for name in types:
        if name not in RESOURCE_TYPES:
            raise Invalid(
                f"This service holds no resources of type {name[:64]!r}",
                code="value",
                location="http._type",
            )
    return tuple(dict.fromkeys(types))


def _since(given: list[tuple[str, object]]) -> int | None:
    text = next((str(value) for name, value in given if name == "_since"), None)
    if text is None:
        return None
    try:
        return interval(text.replace(" ", "+"))[0]
    except ValueError:
        raise Invalid(
            f"_since is an instant, not {text[:40]!r}", code="value", location="http._since"
        ) from None


def _count(given: list[tuple[str, object]], top: int) -> int | None:
    text = next((str(value) for name, value in given if name == "_count"), None)
    if text is None:
        return None
    if not (text.isascii() and text.isdecimal() and 0 < len(text) < 10 and int(text) > 0):
        raise Invalid(
            f"_count is a whole number above 0, not {text[:40]!r}",
            code="value",
            location="http._count",
        )
    return min(int(text), top)
