"""Clients that would hold a connection for ever do not; slow but honest ones are waited for.

With raw sockets against Uvicorn itself. Sources: RFC 9110, sections 15.5.9 (408) and 15.5.14;
RFC 6585, section 5 (431).
"""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Any

import pytest
import uvicorn

from service.commands._connections import BoundedProtocol, lies_in

LARGE = 8 * 1024 * 1024


class Impatient(BoundedProtocol):
    """The same with times that a test can wait for."""

    look_every = 0.1
    head_seconds = 0.5
    head_bytes = 4096
    body_grace = 0.5
    body_rate = 1000
    body_seconds = 2.0
    reading_grace = 0.5
    reading_rate = 100_000
    most_connections = 20
    most_of_one = 10


class App:
    """Takes a body and tells its size; `/large` answers with much, `/slow` thinks for a second."""

    def __init__(self) -> None:
        self.left = threading.Event()

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        import asyncio

        size, more = 0, True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                self.left.set()
                return
            size, more = size + len(message.get("body", b"")), message.get("more_body", False)
        if scope["path"] == "/slow":
            await asyncio.sleep(1)
        body = b"x" * LARGE if scope["path"] == "/large" else str(size).encode()
        head = [(b"content-length", str(len(body)).encode())]
        await send({"type": "http.response.start", "status": 200, "headers": head})
        for start in range(0, len(body), 65536):
            last = start + 65536 >= len(body)
            piece = body[start : start + 65536]
            await send({"type": "http.response.body", "body": piece, "more_body": not last})


@contextmanager
def serving(proxies: Sequence[str] = ()) -> Iterator[tuple[int, App]]:
    app = App()
    listener = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(
        app,
        http=Impatient,
        lifespan="off",
        ws="none",
        log_config=None,
        forwarded_allow_ips=list(proxies),
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    yield listener.getsockname()[1], app
    server.should_exit = True
    thread.join(15)
    assert not thread.is_alive()


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with serving() as (found, _):
        yield found


def _connect(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=10)


def _told(connection: socket.socket) -> bytes:
    try:
        return b"".join(iter(lambda: connection.recv(65536), b""))
    except ConnectionResetError:
        return b""


def _is_over(connection: socket.socket) -> bool:
    try:
        connection.sendall(b"x")
        return False
    except OSError:
        return True


def _trickle(connection: socket.socket, data: bytes, pause: float = 0.05) -> float:
    """Send a byte at a time until the other side has had enough; the seconds it took."""
    begun = time.monotonic()
    for place in range(len(data)):
        try:
            connection.sendall(data[place : place + 1])
        except OSError:
            break
        time.sleep(pause)
        if time.monotonic() - begun > 8:
            raise AssertionError("still waited for")
    return time.monotonic() - begun


def _refusal(told: bytes) -> tuple[int, str]:
    head, _, body = told.partition(b"\r\n\r\n")
    assert b"content-type: application/fhir+json" in head
    assert b"connection: close" in head
    return int(head.split()[1]), json.loads(body)["issue"][0]["code"]


def test_headers_a_byte_at_a_time_are_given_up(port: int) -> None:
    with _connect(port) as connection:
        took = _trickle(connection, b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * 500)
        assert 0.4 < took < 3
        told = _told(connection)
    assert not told or _refusal(told) == (408, "timeout")


def test_the_refusal_is_told(port: int) -> None:
    with _connect(port) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost:")
        assert _refusal(_told(connection)) == (408, "timeout")


def test_a_connection_that_says_nothing_is_closed_without_a_word(port: int) -> None:
    with _connect(port) as connection:
        assert _told(connection) == b""


def test_after_an_answer_the_next_headers_have_to_come_as_well(port: int) -> None:
    with _connect(port) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
        assert connection.recv(65536).startswith(b"HTTP/1.1 200")
        time.sleep(1)
        # Idle is not slow: it is still open.
        connection.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
        assert connection.recv(65536).startswith(b"HTTP/1.1 200")
        connection.sendall(b"\r\n")
        assert _refusal(_told(connection)) == (408, "timeout")


@pytest.mark.parametrize("length", [b"Content-Length: 5000", b"Transfer-Encoding: chunked"])
def test_a_body_a_byte_at_a_time_is_given_up_and_the_application_told(length: bytes) -> None:
    with serving() as (port, app), _connect(port) as connection:
        connection.sendall(b"POST / HTTP/1.1\r\nHost: a\r\n" + length + b"\r\n\r\n")
        assert _trickle(connection, (b"5\r\nhello\r\n" * 500)) < 4
        assert app.left.wait(5)


def test_a_body_at_the_rate_is_waited_for_but_not_for_ever(port: int) -> None:
    piece = b"x" * 500
    with _connect(port) as connection:
        connection.sendall(b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 5000\r\n\r\n")
        for _ in range(10):
            connection.sendall(piece)
            time.sleep(0.12)
        assert connection.recv(65536).endswith(b"\r\n\r\n5000")
    with _connect(port) as connection:
        connection.sendall(b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 500000\r\n\r\n")
        begun = time.monotonic()
        while time.monotonic() - begun < 6 and not _is_over(connection):
            time.sleep(0.1)
            try:
                connection.sendall(piece)
            except OSError:
                break
        assert 1.5 < time.monotonic() - begun < 5


def test_the_time_of_the_service_counts_for_nothing(port: int) -> None:
    with _connect(port) as connection:
        connection.sendall(b"GET /slow HTTP/1.1\r\nHost: a\r\n\r\n")
        assert connection.recv(65536).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize("taken", [0, 1000])
def test_who_does_not_read_is_cut_off(taken: int) -> None:
    with serving() as (port, _), socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.settimeout(10)
        connection.connect(("127.0.0.1", port))
        connection.sendall(b"GET /large HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
        begun, size = time.monotonic(), 0
        while time.monotonic() - begun < 3:
            size += len(connection.recv(taken)) if taken else 0
            time.sleep(0.05)
        try:
            while found := connection.recv(1 << 20):
                size += len(found)
        except ConnectionResetError:
            pass
        assert size < LARGE


def test_who_reads_slowly_but_steadily_gets_all(port: int) -> None:
    with _connect(port) as connection:
        connection.sendall(b"GET /large HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
        size = 0
        while found := connection.recv(300_000):
            size += len(found)
            time.sleep(0.02)
        assert size > LARGE


def test_too_long_headers_are_refused(port: int) -> None:
    with _connect(port) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * 5000)
        assert _refusal(_told(connection)) == (431, "too-long")


def test_what_is_no_http_is_refused_as_all_else(port: int) -> None:
    with _connect(port) as connection:
        connection.sendall(b"\x16\x03\x01\x02\x00\r\n\r\n")
        assert _refusal(_told(connection)) == (400, "structure")


@pytest.mark.parametrize("proxy", [True, False])
def test_connections_are_bounded_and_one_address_cannot_have_them_all(proxy: bool) -> None:
    most = Impatient.most_connections if proxy else Impatient.most_of_one
    with (
        serving(proxies=["127.0.0.1"] if proxy else ["10.0.0.0/8"]) as (port, _),
        ExitStack() as all_,
    ):
        held = [all_.enter_context(_connect(port)) for _ in range(most)]
        for each in held:
            each.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
            assert each.recv(65536).startswith(b"HTTP/1.1 200")
        with _connect(port) as refused:
            assert _refusal(_told(refused)) == (503, "transient")
        held.pop().close()
        time.sleep(0.3)
        with _connect(port) as taken:
            taken.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
            assert taken.recv(65536).startswith(b"HTTP/1.1 200")


def test_addresses_in_networks() -> None:
    assert lies_in("10.1.2.3", ("::1", "10.0.0.0/8"))
    assert lies_in("::1", ("::1",))
    assert not lies_in("10.1.2.3", ("127.0.0.1", "10.1.2.4"))
    assert not lies_in("", ("127.0.0.1",))
