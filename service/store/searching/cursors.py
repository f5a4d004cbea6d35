"""How does a link remember where a page ended, so that nobody can forge or misuse it?

A cursor is base64url of JSON and a MAC over it (HMAC-SHA256, RFC 2104), bound to the search it
belongs to. It holds nothing but the keys of the last row, so it stays right while others write.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from dataclasses import dataclass

from service.standard.searching.query import SearchQuery
from service.standard.searching.refusals import wrong_value
from service.store.searching.streams import Key

_MAC = 16
_LONGEST = 4_000


@dataclass(frozen=True, slots=True)
class Cursor:
    """The place of a page.

    `order`: in which order the pages are (None by rid, -1 by the sort keys, else along the
    criterion with this number). `key` is the last key before the page. `backwards`: the page
    ends there instead.
    """

    order: int | None
    key: Key
    backwards: bool = False


BY_KEYS = -1


def seal(cursor: Cursor, query: SearchQuery, secret: bytes) -> str:
    """The cursor as text for a link."""
    told = json.dumps(
        [cursor.order, int(cursor.backwards), *cursor.key], separators=(",", ":")
    ).encode()
    return base64.urlsafe_b64encode(_mac(told, query, secret) + told).rstrip(b"=").decode()


def unseal(text: str, query: SearchQuery, secret: bytes) -> Cursor:
    """Read it back. Raises Invalid where it was altered or belongs to another search."""
    if len(text) > _LONGEST:
        raise _refused()
    try:
        raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise _refused() from None
    mac, told = raw[:_MAC], raw[_MAC:]
    # Bits that pad the last letter are not under the MAC.
    if base64.urlsafe_b64encode(raw).rstrip(b"=").decode() != text:
        raise _refused()
    if not hmac.compare_digest(mac, _mac(told, query, secret)):
        raise _refused()
    order, backwards, *key = json.loads(told)
    return Cursor(order, tuple(key), bool(backwards))


def _mac(told: bytes, query: SearchQuery, secret: bytes) -> bytes:
    message = hashlib.sha256(query.identity.encode()).digest() + told
    return hmac.new(secret, message, hashlib.sha256).digest()[:_MAC]


def _refused() -> Exception:
    return wrong_value("_cursor", "not a link that this service gave for this search")
