"""Does whoever asked still wait for the answer?"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

from starlette.types import Receive


class Presence:
    """Of one client, while its request is answered."""

    __slots__ = ("_gone",)

    def __init__(self) -> None:
        self._gone = False

    def is_gone(self) -> bool:
        """Whether the connection was closed; may be asked in any thread."""
        return self._gone

    async def watch(self, receive: Receive) -> None:
        """Wait until the connection is closed. The body must have been received."""
        while (await receive())["type"] != "http.disconnect":
            pass
        self._gone = True


@contextmanager
def watched(receive: Receive) -> Iterator[Presence]:
    """Look after the client within this block."""
    presence = Presence()
    watching = asyncio.ensure_future(presence.watch(receive))
    try:
        yield presence
    finally:
        watching.cancel()
