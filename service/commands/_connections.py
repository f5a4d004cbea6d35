"""How long may a client hold a connection without getting on? (RFC 9110, sections 15.5.9, 15.5.22)

One that sends its headers or its body a byte at a time, or does not read what it is sent, would
hold memory and a place for ever; Uvicorn waits for it. Here every connection is looked at every
few seconds: whether its headers came in time, its body at some rate, and whether it takes what it
is sent. The time that the service itself needs counts for nothing.
"""

from __future__ import annotations

import asyncio
from asyncio.events import TimerHandle
from functools import lru_cache
from ipaddress import ip_address, ip_network
from typing import Literal

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from service.errors import Issue, outcome
from service.standard.codec import encode

Phase = Literal["idle", "head", "body", "answer"]

_REFUSALS = {
    400: (b"400 Bad Request", "structure", "The request is not HTTP"),
    408: (b"408 Request Timeout", "timeout", "The request did not come in time"),
    431: (b"431 Request Header Fields Too Large", "too-long", "The headers are too long"),
    503: (b"503 Service Unavailable", "transient", "Too many connections: try again later"),
}


class BoundedProtocol(HttpToolsProtocol):
    """HTTP/1.1 of Uvicorn, with bounds. Seconds, bytes, bytes a second."""

    look_every = 5.0
    head_seconds = 20.0
    head_bytes = 128 * 1024
    body_grace = 20.0
    body_rate = 1024
    body_seconds = 600.0
    reading_grace = 60.0
    reading_rate = 1024
    most_connections = 900
    """Of one process; many systems allow it 1024 files."""
    most_of_one = 450
    """Of one address, unless it is a proxy."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to watch it; refuse it where there are too many."""
        super().connection_made(transport)
        self._phase: Phase = "head"
        self._waited = 0.0
        self._came = 0
        self._unread = 0.0
        self._pending = 0
        self._given_up = False
        self._watch: TimerHandle | None = None
        if len(self.connections) > self.most_connections or self._has_too_many():
            self._refuse(503)
        self._watch = self.loop.call_later(self.look_every, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop watching it."""
        if self._watch is not None:
            self._watch.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Bytes of a request."""
        if self._given_up:
            return
        if self._phase == "idle":
            self._begin("head")
        self._came += len(data)
        super().data_received(data)
        if self._phase == "head" and self._came > self.head_bytes and not self._given_up:
            self._refuse(431)

    def on_headers_complete(self) -> None:
        """The headers are there; an answer is made already while the body comes."""
        self._begin("body")
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        """The request is there as a whole."""
        self._begin("answer")
        super().on_message_complete()
        if self.cycle.response_complete:
            self._begin("idle")

    def on_response_complete(self) -> None:
        """The answer was written; its body may still be coming where that was not waited for."""
        if self._phase == "answer" and not self.pipeline:
            self._begin("idle")
        super().on_response_complete()

    def send_400_response(self, msg: str) -> None:
        """What is no HTTP is refused as everything else."""
        self._refuse(400)

    def _has_too_many(self) -> bool:
        if len(self.connections) <= self.most_of_one or self.client is None:
            return False
        address = self.client[0]
        everybody = (getattr(each, "client", None) for each in self.connections)
        held = sum(client is not None and client[0] == address for client in everybody)
        proxies = tuple(self.config.forwarded_allow_ips or ())
        return held > self.most_of_one and not lies_in(address, proxies)

    def _begin(self, phase: Phase) -> None:
        self._phase, self._waited, self._came = phase, 0.0, 0

    def _look(self) -> None:
        self._watch = self.loop.call_later(self.look_every, self._look)
        if self._given_up or self._reads_too_slowly():
            self.transport.abort()
        elif self._phase in ("head", "body") and not self.flow.read_paused:
            self._waited += self.look_every
            if self._waited > self._most_waiting():
                self._refuse(408)

    def _most_waiting(self) -> float:
        if self._phase == "head":
            return self.head_seconds
        return min(self.body_grace + self._came / self.body_rate, self.body_seconds)

    def _reads_too_slowly(self) -> bool:
        """Whether it has taken too little of what waits for it, for too long."""
        pending = self.transport.get_write_buffer_size()
        taken, self._pending = self._pending - pending, pending
        if not pending or taken < 0:
            # Less than nothing: more was written, which is done when most of it was taken.
            self._unread = 0.0
            return False
        self._unread = max(0.0, self._unread + self.look_every - taken / self.reading_rate)
        return self._unread > self.reading_grace

    def _refuse(self, status: int) -> None:
        """Tell it, unless an answer is on its way, and close the connection."""
        self._given_up = True
        if status == 408 and self.cycle is None and not self._came:
            # Browsers open connections to have them: an answer that nobody asked for confuses.
            self.transport.close()
            return
        line, code, text = _REFUSALS[status]
        if self.cycle is None or self.cycle.response_complete or not self.cycle.response_started:
            body = encode(outcome([Issue("error", code, text)]))
            head: list[bytes] = [
                b"HTTP/1.1 " + line,
                b"content-type: application/fhir+json",
                b"content-length: " + str(len(body)).encode(),
                b"x-content-type-options: nosniff",
                b"cache-control: no-store",
                b"connection: close",
            ]
            self.transport.write(b"\r\n".join([*head, b"", body]))
        self.transport.close()


@lru_cache(maxsize=256)
def lies_in(address: str, networks: tuple[str, ...]) -> bool:
    """Whether an address is one of these, or in one of these networks."""
    try:
        return any(ip_address(address) in ip_network(each, strict=False) for each in networks)
    except ValueError:
        return False
