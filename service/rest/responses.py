"""How is a version, or a refusal, put into an HTTP answer?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from email.utils import formatdate
from functools import lru_cache

from service.errors import HyoidError, Issue, outcome, outcome_of
from service.rest.call import Answer, Call
from service.rest.negotiation import preference
from service.rest.permission import is_readable
from service.standard.codec import encode
from service.standard.meta import instant
from service.store.rows import Stored


@lru_cache(maxsize=4096)
def http_date(seconds: int) -> str:
    """An HTTP date (RFC 9110) of whole seconds since 1970."""
    return formatdate(seconds, usegmt=True)


def version_headers(stored: Stored) -> dict[str, str]:
    """ETag and Last-Modified of a version."""
    return {
        "ETag": f'W/"{stored.vid}"',
        "Last-Modified": http_date(stored.updated // 1_000_000),
    }


def location(base: str, stored: Stored) -> str:
    """The absolute URL of a version."""
    return f"{base}/{stored.type}/{stored.id}/_history/{stored.vid}"


def shown(stored: Stored) -> Answer:
    """A version as the answer to a read."""
    return Answer(200, stored.body or b"", version_headers(stored))


def written(call: Call, stored: Stored, status: int) -> Answer:
    """A version as the answer to a write, in the form that `Prefer` asks for."""
    headers = version_headers(stored) | {"Location": location(call.base, stored)}
    body = stored.body or b""
    if not is_readable(call.caller, stored.type, created=status == 201):
        body = b""
    returned = preference(call.headers.get("prefer", "")).returned
    if returned == "minimal":
        body = b""
    elif returned == "OperationOutcome":
        done = "created" if status == 201 else "stored"
        text = f"{stored.reference} was {done} as version {stored.vid}"
        body = encode(outcome([Issue("information", "informational", text)]))
    return Answer(status, body, headers, updated=instant(stored.updated))


def told(issues: Iterable[Issue], status: int = 200) -> Answer:
    """An OperationOutcome as the answer."""
    return Answer(status, encode(outcome(issues)))


def refused(error: HyoidError, extra: Mapping[str, str] | None = None) -> Answer:
    """A refusal as the answer."""
    return Answer(error.status, encode(outcome_of(error)), error.headers | dict(extra or {}))
