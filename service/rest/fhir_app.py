"""How does an HTTP request become an interaction, and its answer a response?

One small ASGI application for everything below /fhir. The only place where a refusal, of
whatever kind, becomes an HTTP answer.
"""

from __future__ import annotations

import re
from functools import lru_cache, partial
from urllib.parse import parse_qsl, unquote

import anyio
from anyio import CapacityLimiter, WouldBlock
from starlette.types import Message, Receive, Scope, Send

from service.access.gate import Gate, admitted
from service.access.glass import with_purpose
from service.access.limits import Account, Limits, allowance_of, name_at, name_of
from service.access.recording import Recording
from service.caller import Caller
from service.errors import HyoidError, Malformed, NotAuthenticated, NotFound, TooLarge, fault
from service.rest.call import FHIR_JSON, Answer, Call, Service
from service.rest.interactions import INTERACTIONS
from service.rest.negotiation import require_json_answer, require_plain_body, wants_pretty
from service.rest.permission import permit
from service.rest.presence import watched
from service.rest.recorded import access_of, note_asked, note_call, trail_of
from service.rest.responses import refused
from service.rest.routing import Interaction, interaction_of
from service.rest.sending import head_of, stream
from service.rest.weights import ORDINARY, weight_of
from service.standard.codec import indent
from service.store.audit.access import told
from service.store.audit.trail import Trail, on_trail

_HOST = re.compile(r"[A-Za-z0-9.\-_]+(:\d{1,5})?|\[[0-9a-fA-F:.]+\](:\d{1,5})?")
_QUICK = frozenset({"read", "vread"})
_TURN = "hyoid.turn"
"""Where in the ASGI scope it is kept whose request this counts as."""
_OF_OTHER_FORM = frozenset({"smart-configuration", "export-file"})
"""Answered in a form of its own, whatever `Accept` says."""


class FhirApp:
    """The FHIR base URL."""

    def __init__(
        self, service: Service, gate: Gate, recording: Recording, limits: Limits | None = None
    ) -> None:
        """`recording` and `limits` are shared with what lies beside /fhir."""
        self.service = service
        self.gate = gate
        self._recording = recording
        self._signed = service.settings.access != "open"
        self._limits = limits or Limits(allowance_of(service.settings))
        self._base_url = service.settings.base_url
        self._reading = partial(
            service.store.reader,
            seconds=service.settings.read_seconds,
            room=service.settings.max_answer,
        )
        self._limiter = CapacityLimiter(service.settings.threads)
        # A read of SQLite takes less time than the way to a thread and back.
        self._inline = _QUICK if service.store.database.dialect == "sqlite" else frozenset()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        try:
            with on_trail(trail_of(scope, client_address(scope))) as trail:
                await self._respond(scope, receive, send, trail)
        finally:
            self._limits.leave(scope.get(_TURN))

    async def _respond(self, scope: Scope, receive: Receive, send: Send, trail: Trail) -> None:
        try:
            answer = await self._answer(scope, receive, trail)
        except HyoidError as error:
            trail.told, answer = told(error.issues), refused(error)
        except Exception as error:
            answer = refused(fault(error))
        try:
            access = access_of(trail, answer.status)
            if access is not None:
                self._recording.record(access)
        except HyoidError as error:
            answer = refused(error)
        if answer.pieces is None:
            await _send(answer, send, with_body=scope["method"] != "HEAD")
        else:
            await stream(answer, receive, send, self._limiter, with_body=scope["method"] != "HEAD")

    async def _answer(self, scope: Scope, receive: Receive, trail: Trail) -> Answer:
        headers = _headers(scope)
        path, asked, caller = await self._admitted(scope, headers, trail)
        query = _pairs(scope["query_string"])
        call = Call(
            method=scope["method"],
            path=path,
            query=query,
            headers=headers,
            body=b"",
            base=self._base_url
            or _base(scope["scheme"], headers.get("host", ""), scope.get("root_path", "")),
            caller=with_purpose(caller, headers, allowed=self.service.settings.break_glass),
            reading=self._reading,
        )
        trail.caller = call.caller
        permit(call, asked)
        if asked.name not in _OF_OTHER_FORM and asked.detail != "$document":
            require_json_answer(headers.get("accept", ""), call.parameter("_format"))
        pretty = wants_pretty(call) if query else False
        if call.method in ("POST", "PUT", "PATCH"):
            require_plain_body(headers.get("content-encoding"))
            call.body = await _body(receive, headers, self.service.settings.max_body)
        if call.method not in ("GET", "HEAD"):
            note_call(trail, call, asked, signed=self._signed)
        if asked.name == "transaction":
            call.owe = partial(self._limits.owe, scope[_TURN])
            with watched(receive) as presence:
                call.is_gone = presence.is_gone
                answer = await self._perform(call, asked, scope[_TURN])
        else:
            answer = await self._perform(call, asked, scope[_TURN])
        if pretty and answer.body and answer.media_type == FHIR_JSON:
            answer.body = indent(answer.body)
        return answer

    async def _admitted(
        self, scope: Scope, headers: dict[str, str], trail: Trail
    ) -> tuple[tuple[str, ...], Interaction, Caller]:
        """What is asked, and by whom. Who is not let in is not told what there is."""
        try:
            path = _segments(scope)
            asked = interaction_of(scope["method"], path)
        except HyoidError:
            await self._let_in(scope, "unknown", headers, ORDINARY, trail)
            raise
        note_asked(trail, asked)
        caller = await self._let_in(scope, asked.name, headers, weight_of(asked), trail)
        return path, asked, caller

    async def _let_in(
        self, scope: Scope, interaction: str, headers: dict[str, str], cost: int, trail: Trail
    ) -> Caller:
        """Who asks; from now on this counts among his requests. Raises Throttled."""
        address = client_address(scope)
        try:
            caller = await admitted(self.gate, interaction, headers, scope["method"])
        except NotAuthenticated:
            self._limits.charge(name_at(address))
            raise
        trail.caller = caller
        scope[_TURN] = self._limits.enter(name_of(caller, address), cost)
        return caller

    async def _perform(self, call: Call, asked: Interaction, account: Account | None) -> Answer:
        handler = INTERACTIONS[asked.name]
        if asked.name in self._inline:
            return handler(self.service, call, asked)
        work = partial(handler, self.service, call, asked)
        if account is None:
            return await anyio.to_thread.run_sync(work, limiter=self._limiter)
        try:
            # The other way is through the event loop, even where nobody waits.
            account.threads.acquire_nowait()
        except WouldBlock:
            await account.threads.acquire()
        try:
            return await anyio.to_thread.run_sync(work, limiter=self._limiter)
        finally:
            account.threads.release()


def client_address(scope: Scope) -> str:
    """Where a request comes from; as a proxy says, where that is believed."""
    client = scope.get("client")
    return client[0] if client else ""


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


async def _send(answer: Answer, send: Send, *, with_body: bool) -> None:
    headers = head_of(answer)
    if answer.status not in (204, 304):
        if answer.body:
            headers.append((b"content-type", answer.media_type.encode("latin-1")))
        headers.append((b"content-length", str(len(answer.body)).encode()))
    await send({"type": "http.response.start", "status": answer.status, "headers": headers})
    await send({"type": "http.response.body", "body": answer.body if with_body else b""})
