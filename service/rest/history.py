"""history: what happened to a resource, a type, the store, newest first? (R4 http, #history)"""

from __future__ import annotations

import json
from dataclasses import replace
from urllib.parse import urlencode

from service.errors import Invalid, NotFound
from service.rest.call import Answer, Call, Service
from service.rest.routing import Interaction
from service.standard.meta import instant
from service.standard.partial_dates import interval
from service.store.audit.trail import touched_all
from service.store.history import HistoryQuery, history, version_count
from service.store.rows import Stored

_PARAMETERS = ("_count", "_since", "_at")


def show_history(service: Service, call: Call, asked: Interaction) -> Answer:
    """One page of history as a Bundle, with a `next` link while there is more."""
    query = _query(service, call, asked)
    counting = query.count == 0
    with call.reading(snapshot=True) as connection:
        total = None
        if asked.id is not None:
            assert asked.type is not None
            total = version_count(connection, call.caller, asked.type, asked.id)
            if total == 0:
                raise NotFound(f"There is no {asked.type}/{asked.id}")
        page = [] if counting else history(connection, call.caller, _one_more(query))
    more = len(page) > query.count
    page = page[: query.count]
    touched_all(stored.rid for stored in page)
    narrowed = query.since is not None or query.at is not None
    links = [("self", _url(call, ()))]
    if more:
        links.append(("next", _url(call, (("_page", str(page[-1].seq)),))))
    return Answer(200, _bundle(call, page, links, None if narrowed else total))


def _query(service: Service, call: Call, asked: Interaction) -> HistoryQuery:
    settings = service.settings
    count = min(_number(call, "_count", settings.page_size), settings.max_page_size)
    page = _number(call, "_page", -1)
    since, at = call.parameter("_since"), call.parameter("_at")
    return HistoryQuery(
        type=asked.type,
        id=asked.id,
        since=None if since is None else _time("_since", since)[0],
        at=None if at is None else _time("_at", at),
        before=None if page < 0 else page,
        count=count,
    )


def _one_more(query: HistoryQuery) -> HistoryQuery:
    return replace(query, count=query.count + 1)


def _number(call: Call, name: str, default: int) -> int:
    text = call.parameter(name)
    if text is None:
        return default
    if not (text.isascii() and text.isdecimal() and len(text) < 19):
        raise Invalid(
            f"{name} is a whole number, not {text[:40]!r}", code="value", location=f"http.{name}"
        )
    return int(text)


def _time(name: str, text: str) -> tuple[int, int]:
    try:
        return interval(text.replace(" ", "+"))
    except ValueError:
        raise Invalid(
            f"{name} is a date or an instant, not {text[:40]!r}",
            code="value",
            location=f"http.{name}",
        ) from None


def _url(call: Call, more: tuple[tuple[str, str], ...]) -> str:
    kept = tuple((key, value) for key, value in call.query if key in _PARAMETERS)
    query = urlencode(kept + more)
    return "/".join((call.base, *call.path)) + (f"?{query}" if query else "")


def _bundle(
    call: Call, page: list[Stored], links: list[tuple[str, str]], total: int | None
) -> bytes:
    head: dict[str, object] = {"resourceType": "Bundle", "type": "history"}
    if total is not None:
        head["total"] = total
    head["link"] = [{"relation": relation, "url": url} for relation, url in links]
    start = json.dumps(head, separators=(",", ":")).encode()
    if not page:
        return start
    entries = b",".join(_entry(call.base, stored) for stored in page)
    return b"".join((start[:-1], b',"entry":[', entries, b"]}"))


def _entry(base: str, stored: Stored) -> bytes:
    # A patch left a whole resource behind: for a reader of the history it is a PUT.
    method = "PUT" if stored.method == "PATCH" else stored.method
    status = {"POST": "201", "DELETE": "204"}.get(method, "201" if stored.vid == 1 else "200")
    tail = {
        "request": {
            "method": method,
            "url": stored.type if method == "POST" else stored.reference,
        },
        "response": {
            "status": status,
            "etag": f'W/"{stored.vid}"',
            "lastModified": instant(stored.updated),
        },
    }
    start = f'{{"fullUrl":"{base}/{stored.reference}",'.encode()
    resource = b"" if stored.body is None else b'"resource":' + stored.body + b","
    return b"".join((start, resource, json.dumps(tail, separators=(",", ":")).encode()[1:]))
