"""How does an entry of a Bundle become a call like any other?"""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import parse_qsl, unquote

from service.errors import Malformed
from service.rest.call import FHIR_JSON, Call, for_nothing
from service.rest.write import JSON_PATCH
from service.standard.bundles import PlannedEntry, patch_document
from service.standard.codec import encode
from service.standard.entry_urls import EntryUrl


def entry_call(call: Call, entry: PlannedEntry) -> Call:
    """The call that the entry stands for, by the same caller."""
    given = {
        "if-match": entry.if_match,
        "if-none-match": entry.if_none_match,
        "if-modified-since": entry.if_modified_since,
        "if-none-exist": entry.if_none_exist,
        "prefer": call.headers.get("prefer"),
    }
    headers = {name: value for name, value in given.items() if value is not None}
    body = b""
    if entry.resource is not None:
        sent: Any = entry.resource if entry.method != "PATCH" else patch_document(entry)
        headers["content-type"] = JSON_PATCH if isinstance(sent, list) else FHIR_JSON
        body = encode(sent)
    return replace(
        call,
        method=entry.method,
        path=path_of(entry.url),
        query=query_pairs(entry.url.query, f"{entry.where}.request.url"),
        headers=headers,
        body=body,
        in_bundle=True,
        owe=for_nothing,
    )


def query_pairs(query: str | None, where: str) -> tuple[tuple[str, str], ...]:
    """The parameters of a query string. Raises Malformed where it cannot be read."""
    if not query:
        return ()
    try:
        return tuple(parse_qsl(query, keep_blank_values=True, errors="strict", max_num_fields=500))
    except ValueError:
        raise Malformed("The query cannot be read", expression=where) from None


def path_of(url: EntryUrl) -> tuple[str, ...]:
    """The path below the base URL, as a request has it."""
    parts: tuple[str | None, ...]
    match url.level:
        case "search":
            parts = (url.compartment, url.id, url.type)
        case "version":
            parts = (url.type, url.id, "_history", url.vid)
        case "history":
            parts = (url.type, url.id, "_history")
        case _:
            parts = (url.type, url.id, url.operation)
    return tuple(unquote(part) for part in parts if part is not None)
