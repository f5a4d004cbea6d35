"""How does an HTTP request become an interaction, and its answer a response?

One small ASGI application for everything below /fhir. The only place where a refusal, of
whatever kind, becomes an HTTP answer.
"""

from __future__ import annotations

import logging
import re
import secrets
from functools import lru_cache, partial
from urllib.parse import parse_qsl, unquote

import anyio
from anyio import CapacityLimiter
from starlette.types import Message, Receive, Scope, Send

from service.access.gate import Gate
from service.caller import Caller
from service.errors import HyoidError, Issue, Malformed, NotFound, TooLarge
from service.rest.call import Answer, Call, Service
from service.rest.interactions import INTERACTIONS
from service.rest.negotiation import require_json_answer, require_plain_body, wants_pretty
from service.rest.responses import refused
from service.rest.routing import Interaction, interaction_of
from service.standard.codec import indent

log = logging.getLogger("hyoid")

_HOST = re.compile(r"[A-Za-z0-9.\-_]+(:\d{1,5})?|\[[0-9a-fA-F:.]+\](:\d{1,5})?")
_COMMON_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"private, no-cache"),
)
_QUICK = frozenset({"read", "vread"})


class FhirApp:
    """The FHIR base URL."""

    def __init__(self, service: Service, gate: Gate) -> None:
        self.service = service
        self.gate = gate
        self._base_url = service.settings.base_url
        self._reading = partial(service.store.reader, seconds=service.settings.read_seconds)
        self._limiter = CapacityLimiter(service.settings.threads)
        # A read of SQLite takes less time than the way to a thread and back.
        self._inline = _QUICK if service.store.database.dialect == "sqlite" else frozenset()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        try:
            answer = await self._answer(scope, receive)
        except HyoidError as error:
            answer = refused(error)
        except Exception:
            answer = _fault()
        await _send(answer, send, with_body=scope["method"] != "HEAD")

    async def _answer(self, scope: Scope, receive: Receive) -> Answer:
        headers = _headers(scope)
        path, asked, caller = self._admitted(scope, headers)
        query = _pairs(scope["query_string"])
        call = Call(
            method=scope["method"],
            path=path,
            query=query,
            headers=headers,
            body=b"",
            base=self._base_url
            or _base(scope["scheme"], headers.get("host", ""), scope.get("root_path", "")),
            caller=caller,
            reading=self._reading,
        )
        require_json_answer(headers.get("accept", ""), call.parameter("_format"))
        pretty = wants_pretty(call) if query else False
        if call.method in ("POST", "PUT", "PATCH"):
            require_plain_body(headers.get("content-encoding"))
            call.body = await _body(receive, headers, self.service.settings.max_body)
        answer = await self._perform(call, asked)
        if pretty and answer.body:
            answer.body = indent(answer.body)
        return answer

    def _admitted(
        self, scope: Scope, headers: dict[str, str]
    ) -> tuple[tuple[str, ...], Interaction, Caller]:
        """What is asked, and by whom. Who is not let in is not told what there is."""
        try:
            path = _segments(scope)
            asked = interaction_of(scope["method"], path)
        except HyoidError:
            self.gate.admit("unknown", headers)
            raise
        return path, asked, self.gate.admit(asked.name, headers)

    async def _perform(self, call: Call, asked: Interaction) -> Answer:
        handler = INTERACTIONS[asked.name]
        if asked.name in self._inline:
            return handler(self.service, call, asked)
        return await anyio.to_thread.run_sync(
            partial(handler, self.service, call, asked), limiter=self._limiter
        )


def is_fhir(path: str) -> bool:
    """Whether a path is the FHIR base URL or lies below it."""
    return path.startswith("/fhir/") or path == "/fhir"


def _headers(scope: Scope) -> dict[str, str]:
    """The headers; one that is repeated is a list divided by commas (RFC 9110, section 5.3)."""
    sent = [(name.decode("latin-1"), value.decode("latin-1")) for name, value in scope["headers"]]
    found = dict(sent)
    if len(found) < len(sent):
        found = {name: ", ".join(value for key, value in sent if key == name) for name in found}
    return found


def _segments(scope: Scope) -> tuple[str, ...]:
    """The path below the base URL, divided before it is decoded: `%2F` divides nothing."""
    raw = scope.get("raw_path") or scope["path"].encode()
    path = raw.split(b"?", 1)[0].decode("ascii", "replace")
    root = scope.get("root_path", "") + "/fhir"
    if not path.startswith(root):
        raise NotFound("The address of this service is written /fhir, without percent-encoding")
    below = path[len(root) :].strip("/")
    if not below:
        return ()
    segments = tuple(unquote(segment, errors="replace") for segment in below.split("/"))
    if not all(segment.isprintable() and segment not in (".", "..") for segment in segments):
        raise Malformed("The address cannot be read", location="http.path")
    return segments


def _pairs(query: bytes) -> tuple[tuple[str, str], ...]:
    if not query:
        return ()
    try:
        pairs = parse_qsl(
            query.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=500
        )
    except ValueError:
        raise Malformed(
            "The query string cannot be read: percent-encode it as UTF-8, at most 500 parameters",
            location="http.query",
        ) from None
    if any("\x00" in key or "\x00" in value for key, value in pairs):
        raise Malformed("The query string has a NUL character", location="http.query")
    return tuple(pairs)


@lru_cache(maxsize=256)
def _base(scheme: str, host: str, root: str) -> str:
    if not _HOST.fullmatch(host):
        raise Malformed("The Host header cannot be read", location="http.Host")
    return f"{scheme}://{host}{root}/fhir"


async def _body(receive: Receive, headers: dict[str, str], limit: int) -> bytes:
    declared = headers.get("content-length", "")
    if declared.isdecimal() and len(declared) < 19 and int(declared) > limit:
        raise _too_large(limit)
    chunks: list[bytes] = []
    size = 0
    while True:
        message: Message = await receive()
        if message["type"] == "http.disconnect":
            raise Malformed("The connection closed before the body was complete")
        chunk = message.get("body", b"")
        size += len(chunk)
        if size > limit:
            raise _too_large(limit)
        chunks.append(chunk)
        if not message.get("more_body", False):
            return b"".join(chunks)


def _too_large(limit: int) -> TooLarge:
    return TooLarge(f"The body is larger than {limit} bytes", headers={"Connection": "close"})


def _fault() -> Answer:
    reference = secrets.token_hex(8)
    log.exception("Fault %s", reference)
    text = f"The service failed; nothing was stored. Tell its keeper this number: {reference}"
    return refused(HyoidError(issues=[Issue("fatal", "exception", text)]))


async def _send(answer: Answer, send: Send, *, with_body: bool) -> None:
    headers = list(_COMMON_HEADERS)
    for name, value in answer.headers.items():
        headers.append((name.lower().encode("latin-1"), value.encode("latin-1")))
    if answer.status not in (204, 304):
        if answer.body:
            headers.append((b"content-type", answer.media_type.encode("latin-1")))
        headers.append((b"content-length", str(len(answer.body)).encode()))
    await send({"type": "http.response.start", "status": answer.status, "headers": headers})
    await send({"type": "http.response.body", "body": answer.body if with_body else b""})
