"""How is an answer sent whose body is made piece by piece?

In a thread for each piece, and no sooner than the client has taken the one before. The length is
not known before, so the body is sent in chunks (RFC 9112, section 7.1). Where it cannot be made to
its end the connection is closed before the last chunk: nobody can take it for the whole.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator

import anyio
from anyio import CapacityLimiter
from starlette.types import Receive, Send

from service.rest.call import Answer

log = logging.getLogger("hyoid")

_COMMON_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"private, no-cache"),
)


def head_of(answer: Answer) -> list[tuple[bytes, bytes]]:
    """The headers of an answer, but for those of its body."""
    own = (
        (name.lower().encode("latin-1"), value.encode("latin-1"))
        for name, value in answer.headers.items()
    )
    return [*_COMMON_HEADERS, *own]


async def stream(
    answer: Answer, receive: Receive, send: Send, limiter: CapacityLimiter, *, with_body: bool
) -> None:
    """Send it; ends at once when the client goes away."""
    assert answer.pieces is not None
    headers = [*head_of(answer), (b"content-type", answer.media_type.encode("latin-1"))]
    await send({"type": "http.response.start", "status": answer.status, "headers": headers})
    if not with_body:
        await send({"type": "http.response.body", "body": b""})
        return
    async with anyio.create_task_group() as tasks:

        async def watch() -> None:
            while (await receive())["type"] != "http.disconnect":
                pass
            tasks.cancel_scope.cancel()

        tasks.start_soon(watch)
        await _send_pieces(answer.pieces, send, limiter)
        tasks.cancel_scope.cancel()


async def _send_pieces(pieces: Iterator[bytes], send: Send, limiter: CapacityLimiter) -> None:
    while True:
        try:
            piece = await anyio.to_thread.run_sync(next, pieces, None, limiter=limiter)
        except Exception:
            # Without an end: the server closes the connection.
            log.exception("The body of an answer could not be made to its end")
            return
        if piece is None:
            break
        await send({"type": "http.response.body", "body": piece, "more_body": True})
    await send({"type": "http.response.body", "body": b""})
