"""How many requests a second does a server answer? A few keep-alive clients in one thread.

Prepared request bytes go out on each socket as soon as the answer before is complete, so that
the client costs little beside the server.
"""

from __future__ import annotations

import re
import selectors
import socket
import time
from collections.abc import Iterator
from itertools import cycle
from urllib.parse import urlsplit

_LENGTH = re.compile(rb"\r\ncontent-length: (\d+)\r\n", re.IGNORECASE)


def request(method: str, url: str, body: bytes = b"", *headers: str) -> bytes:
    """One HTTP/1.1 request as bytes."""
    parts = urlsplit(url)
    target = parts.path + (f"?{parts.query}" if parts.query else "")
    lines = [f"{method} {target} HTTP/1.1", f"Host: {parts.netloc}", *headers]
    if body:
        lines += ["Content-Type: application/fhir+json", f"Content-Length: {len(body)}"]
    return "\r\n".join([*lines, "", ""]).encode() + body


class _Client:
    def __init__(self, address: tuple[str, int], requests: Iterator[bytes]) -> None:
        self.socket = socket.create_connection(address)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.requests = requests
        self.received = b""

    def send(self) -> None:
        self.received = b""
        self.socket.sendall(next(self.requests))

    def complete(self) -> bool:
        """Take what has come; whether the answer is whole. Raises on a refusal."""
        self.received += self.socket.recv(1 << 20)
        head = self.received.find(b"\r\n\r\n")
        if head < 0:
            return False
        if self.received[9:10] != b"2":
            raise AssertionError(self.received[:2000])
        found = _LENGTH.search(self.received, 0, head + 2)
        length = int(found[1]) if found else 0
        return len(self.received) >= head + 4 + length


def rate(base: str, requests: list[bytes], *, clients: int = 4, seconds: float = 2.0) -> float:
    """Answers a second while `clients` ask in a loop; each request is used in turn."""
    parts = urlsplit(base)
    assert parts.hostname
    assert parts.port
    supply = cycle(requests)
    selector = selectors.DefaultSelector()
    crowd = [_Client((parts.hostname, parts.port), supply) for _ in range(clients)]
    done = 0
    started = time.perf_counter()
    for client in crowd:
        selector.register(client.socket, selectors.EVENT_READ, client)
        client.send()
    while (now := time.perf_counter()) - started < seconds:
        for key, _ in selector.select(timeout=1):
            if key.data.complete():
                done += 1
                key.data.send()
    for client in crowd:
        client.socket.close()
    return done / (now - started)
