"""How does a Bundle of search results look? Stored bytes joined, never parsed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from service.errors import Issue, outcome
from service.standard.codec import encode
from service.store.audit.trail import touched_all
from service.store.rows import Stored


def searchset(
    base: str,
    entries: Iterable[tuple[Stored, str]],
    *,
    links: Sequence[tuple[str, str]],
    total: int | None = None,
    told: Sequence[Issue] = (),
) -> bytes:
    """A searchset of (version, search mode) with (relation, URL) as links.

    `told` is what the client should know of the search itself; it comes as an OperationOutcome.
    """
    entries = list(entries)
    touched_all(stored.rid for stored, _ in entries)
    head: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset"}
    if total is not None:
        head["total"] = total
    head["link"] = [{"relation": relation, "url": url} for relation, url in links]
    root = encode(base)[1:-1].decode()
    parts = [
        f'{{"fullUrl":"{root}/{stored.reference}","resource":'.encode()
        + (stored.body or b"")
        + f',"search":{{"mode":"{mode}"}}}}'.encode()
        for stored, mode in entries
    ]
    if told:
        parts.append(b'{"resource":' + encode(outcome(told)) + b',"search":{"mode":"outcome"}}')
    return joined(head, parts)


def joined(head: dict[str, Any], entries: list[bytes]) -> bytes:
    """The Bundle of these entries, which are used up. Copied once: they may be large."""
    start = encode(head)
    if not entries:
        return start
    entries[0] = b"".join((start[:-1], b',"entry":[', entries[0]))
    entries[-1] += b"]}"
    return b",".join(entries)
