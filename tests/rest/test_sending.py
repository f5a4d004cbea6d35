"""Is a body that is made piece by piece whole, or seen to be not whole? Through a real server.

Outside source: RFC 9112, section 7.1 (a body in chunks ends with the last chunk) and section 8
(what a client makes of one without it).
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import httpx
import pytest
import uvicorn
from anyio import CapacityLimiter
from starlette.types import ASGIApp, Receive, Scope, Send

from service.rest.call import Answer
from service.rest.sending import stream

PIECE = b"x" * 65_536


@contextmanager
def served(pieces: Callable[[], Iterator[bytes]]) -> Iterator[str]:
    """A server whose every answer is made of these pieces."""

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        answer = Answer(200, media_type="text/plain", pieces=pieces())
        with_body = scope["method"] != "HEAD"
        await stream(answer, receive, send, CapacityLimiter(2), with_body=with_body)

    with _running(app) as url:
        yield url


@contextmanager
def _running(app: ASGIApp) -> Iterator[str]:
    config = uvicorn.Config(app, http="httptools", log_level="critical", lifespan="off", port=0)
    server = uvicorn.Server(config)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listener.getsockname()[1]}/"
        finally:
            server.should_exit = True
            thread.join()


def test_all_pieces_in_order() -> None:
    with served(lambda: iter([b"a", b"", b"b"])) as url:
        answer = httpx.get(url)
        assert answer.content == b"ab"
        assert answer.headers["Transfer-Encoding"] == "chunked"
        assert "Content-Length" not in answer.headers
        assert answer.headers["Cache-Control"] == "private, no-cache"
        assert httpx.head(url).content == b""


def test_a_body_that_breaks_off_is_not_taken_for_the_whole() -> None:
    def broken() -> Iterator[bytes]:
        yield PIECE
        raise RuntimeError("the database is gone")

    with served(broken) as url:
        with pytest.raises(httpx.RemoteProtocolError):
            httpx.get(url)
        with pytest.raises(httpx.RemoteProtocolError):
            httpx.get(url)


def test_no_piece_is_made_long_before_it_is_taken_or_after_the_client_has_gone() -> None:
    made: list[int] = []

    def endless() -> Iterator[bytes]:
        while True:
            made.append(len(PIECE))
            yield PIECE

    with served(endless) as url:
        with httpx.stream("GET", url) as answer:
            taking = answer.iter_raw(len(PIECE))
            for _ in range(3):
                next(taking)
            ahead = _settled(made)
            assert sum(made) < 64 << 20
            for _ in range(ahead + 10):
                next(taking)
            assert len(made) > ahead
        gone = _settled(made)
        time.sleep(0.2)
        assert len(made) == gone


def _settled(made: list[int]) -> int:
    """How many pieces were made when no more are."""
    end = time.monotonic() + 20
    while time.monotonic() < end:
        before = len(made)
        time.sleep(0.3)
        if len(made) == before:
            return before
    raise AssertionError("pieces are made though nobody takes them")
