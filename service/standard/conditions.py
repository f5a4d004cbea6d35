"""What do the conditions of a request say?

Reads If-Match and If-None-Match (entity tags, RFC 7232 section 2.3: `W/"3"`), If-Modified-Since
(HTTP dates, RFC 7231 section 7.1.1.1) and the search of If-None-Exist (R4, RESTful API,
conditional create). What is decided by them is in `preconditions.py`.

`where` is the place named in a refusal, a header (`http.If-Match`) or an element
(`Bundle.entry[2].request.ifMatch`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime, parsedate_to_datetime
from typing import TypedDict
from urllib.parse import parse_qsl

from service.errors import Malformed

_TAG = re.compile(r'\s*(?:W/)?"([\x21\x23-\x7e\x80-\U0010ffff]*)"\s*(?:,|$)')
_MAX_LENGTH = 4_000
_MAX_CRITERIA = 100
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SHOWN = 60
_NO_CRITERIA = {
    "_contained",
    "_containedType",
    "_count",
    "_elements",
    "_format",
    "_include",
    "_pretty",
    "_revinclude",
    "_sort",
    "_summary",
    "_total",
}


@dataclass(frozen=True, slots=True)
class Tags:
    """The entity tags of a condition, or any (`*`)."""

    values: frozenset[str]
    any: bool = False

    def match(self, vid: int | None) -> bool:
        """Weak comparison with the tag of the current version; None: there is none."""
        return vid is not None and (self.any or str(vid) in self.values)


def parse_tags(text: str, where: str) -> Tags:
    """The tags of If-Match or If-None-Match: `W/"3"`, `"3"`, a list of them, or `*`."""
    if text.strip() == "*":
        return Tags(frozenset(), any=True)
    found = []
    position = 0
    while position < len(text) <= _MAX_LENGTH:
        match = _TAG.match(text, position)
        if match is None:
            break
        found.append(match.group(1))
        position = match.end()
    if not found or position < len(text) or text.rstrip().endswith(","):
        raise Malformed(f'{text[:_SHOWN]!r} is no entity tag like W/"3"', **place(where))
    return Tags(frozenset(found))


def parse_criteria(text: str, where: str, type: str | None = None) -> list[tuple[str, str]]:
    """The search of If-None-Exist or a conditional URL as decoded pairs.

    Accepts `identifier=x`, `?identifier=x` and, for this type, `Patient?identifier=x`.
    A search without a criterion would match everything, so it is refused; so is what shapes
    results and matches nothing (`_count`).
    """
    query = text.strip()
    before, mark, after = query.partition("?")
    if mark and "=" not in before:
        if before not in ("", type):
            raise Malformed(f"{text[:_SHOWN]!r} is a search of another type", **place(where))
        query = after
    try:
        pairs = parse_qsl(
            query,
            keep_blank_values=True,
            strict_parsing=True,
            errors="strict",
            max_num_fields=_MAX_CRITERIA,
        )
    except ValueError:
        raise Malformed(f"{text[:_SHOWN]!r} is no search", **place(where)) from None
    if not pairs or not all(value.strip() for _name, value in pairs):
        raise Malformed("A condition needs criteria with values", **place(where))
    for name, _value in pairs:
        if name.partition(":")[0] in _NO_CRITERIA:
            raise Malformed(f"{name[:_SHOWN]} is no criterion", **place(where))
    return pairs


def http_date(updated: int) -> str:
    """µs since 1970 as in Last-Modified: `Wed, 25 Nov 2026 09:11:00 GMT`."""
    seconds = updated // 1_000_000
    return format_datetime(_EPOCH + timedelta(seconds=seconds), usegmt=True)


def parse_http_date(text: str) -> int | None:
    """An HTTP date or a FHIR instant (as in Bundle.entry.request) in µs; None: neither."""
    for read in (parsedate_to_datetime, datetime.fromisoformat):
        try:
            moment = read(text.strip()[:_SHOWN])
        except (ValueError, TypeError, IndexError, OverflowError):
            continue
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        return (moment - _EPOCH) // timedelta(microseconds=1)
    return None


class Where(TypedDict, total=False):
    """Arguments of a refusal that say where."""

    expression: str
    location: str


def place(where: str) -> Where:
    """The place as an argument of a refusal: headers have no FHIRPath."""
    return {"location": where} if where.startswith("http.") else {"expression": where}
