"""Which headers does every answer carry, and which web pages may call from a browser?

Headers against guessing of types, framing, leaking of addresses and downgrading, as OWASP's HTTP
Headers Cheat Sheet has them: an answer that sets one by itself keeps its own. CORS (Fetch
Standard, section 3.2): nobody, unless a list says who; cookies are never for other pages.
"""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.middleware.cors import CORSMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

Header = tuple[bytes, bytes]

_EVERYWHERE: tuple[Header, ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)
_DATA: tuple[Header, ...] = (
    *_EVERYWHERE,
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)
_PAGE: tuple[Header, ...] = (
    *_EVERYWHERE,
    (
        b"content-security-policy",
        b"default-src 'none'; style-src 'self' 'unsafe-inline'; img-src 'self' data:;"
        b" form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    (b"cross-origin-opener-policy", b"same-origin"),
)
_ENCRYPTED: tuple[Header, ...] = ((b"strict-transport-security", b"max-age=31536000"),)
_VARY: Header = (b"vary", b"Origin")

_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
_ASKED = (
    *("Authorization", "Content-Type", "If-Match", "If-None-Match", "If-Modified-Since"),
    *("If-None-Exist", "Prefer", "X-Provenance", "X-Purpose", "X-Request-Id"),
)
_TOLD = (
    *("Location", "Content-Location", "ETag", "Last-Modified", "Retry-After", "Expires"),
    *("X-Progress", "X-Export-Status", "X-Request-Id", "Preference-Applied", "WWW-Authenticate"),
)
_FOR_PROGRAMS = ("/fhir/", "/intake/", "/access/")
_LONGEST = 300


class Guarded:
    """The application with the headers on each of its answers, and CORS for these origins."""

    def __init__(self, app: ASGIApp, origins: Iterable[str] = ()) -> None:
        allowed = tuple(origins)
        self._app = app
        self._shared = (
            CORSMiddleware(
                app,
                allow_origins=allowed,
                allow_methods=_METHODS,
                allow_headers=_ASKED,
                expose_headers=_TOLD,
            )
            if allowed
            else None
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        encrypted = scope["scheme"] == "https"
        shared = self._shared if _is_for_programs(scope["path"]) else None

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = _completed(message["headers"], encrypted, shared is not None)
            await send(message)

        await (shared or self._app)(scope, receive, send_guarded)


def origins_in(text: str) -> tuple[str, ...]:
    """Origins, divided by blanks or commas, or `*`. Raises ValueError for what is none."""
    found = tuple(dict.fromkeys(text.replace(",", " ").split()))
    for origin in found:
        if origin != "*" and not _is_origin(origin):
            raise ValueError(
                f"{origin[:_LONGEST]!r} is no origin like https://app.example (no path, no slash)"
            )
    return found


def _is_origin(text: str) -> bool:
    try:
        parts = urlsplit(text)
        port = f":{parts.port}" if parts.port else ""
    except ValueError:
        return False
    host = parts.hostname or ""
    named = f"[{host}]" if ":" in host else host
    return (
        parts.scheme in ("http", "https")
        and bool(host)
        and "*" not in host
        and text == f"{parts.scheme}://{named}{port}"
    )


def _is_for_programs(path: str) -> bool:
    return path == "/fhir" or path.startswith(_FOR_PROGRAMS)


def _completed(headers: Iterable[Header], encrypted: bool, shared: bool) -> list[Header]:
    complete = list(headers)
    own = dict(complete)
    is_page = own.get(b"content-type", b"").startswith(b"text/html")
    complete += [header for header in (_PAGE if is_page else _DATA) if header[0] not in own]
    if encrypted:
        complete += _ENCRYPTED
    if shared and b"origin" not in own.get(b"vary", b"").lower():
        complete.append(_VARY)
    return complete
