"""How much may the entries of one Bundle take together? Time for reading, and room for answers.

Each entry by itself is bounded like a request; a small batch may have thousands of them. Where
time or room ends, what is still to be read is refused; what writes is done, and told without the
resource. Who has gone is not read for any more.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from functools import partial

from service.errors import Issue, NoRoom, TooCostly, outcome
from service.rest.call import Answer, Call
from service.settings import Settings
from service.standard.codec import encode
from service.store.connection import Connection

Perform = Callable[[Call], Answer]
Opening = Callable[..., AbstractContextManager[Connection]]

_LEAST = 0.001
"""Seconds; less would be no limit at all to PostgreSQL."""
_SHORT = 1000
"""Bytes of a refusal that is always told: of entries there are only so many."""
_FULL = "The answers take too much room; ask for less at once"
_DONE = encode(outcome([Issue("warning", "too-costly", "Done; there is no room for the answer")]))
"""Of an operation, which may have stored something."""
_UNTOLD = encode(outcome([Issue("error", "too-costly", "There is no room to tell what is wrong")]))


class Spending:
    """What is left for the entries of one Bundle."""

    def __init__(self, settings: Settings, call: Call) -> None:
        """For the Bundle of this call."""
        self._seconds: float = settings.read_seconds
        self._end = 0.0
        self._room = settings.max_answer
        self._is_gone = call.is_gone
        self._is_wished = "return=" in call.headers.get("prefer", "")
        """Whether what was written is told back."""
        self._over = ""
        """Why nothing more is read: once that is so, what still fits would fit by chance."""

    def read(self, perform: Perform, entry: Call) -> Answer:
        """Do an entry that reads. Raises TooCostly where not enough is left for it."""
        self._require_more()
        begun = time.monotonic()
        self._end = begun + self._seconds
        try:
            answer = perform(replace(entry, reading=partial(self._opened, entry.reading)))
            if not self._takes(answer):
                if entry.method != "POST":
                    raise NoRoom(_FULL)
                self._over, answer.body = _FULL, _DONE
        except NoRoom:
            self._over = _FULL
            raise
        finally:
            self._seconds -= time.monotonic() - begun
        return answer

    def keep(self, answer: Answer) -> Answer:
        """The answer to what was written or refused; its body as far as there is room for it."""
        if answer.status < 400 and not self._is_wished:
            answer.body = b""
        told = answer.status >= 400 and len(answer.body) <= _SHORT
        if not told and not self._takes(answer):
            answer.body = b"" if answer.status < 400 else _UNTOLD
        return answer

    def _require_more(self) -> None:
        if not self._over and self._seconds <= 0:
            self._over = "The request takes too long; ask for less at once"
        if not self._over and self._is_gone():
            self._over = "Nobody waits for the answer any more"
        if self._over:
            raise TooCostly(self._over)

    def _takes(self, answer: Answer) -> bool:
        if len(answer.body) > self._room:
            return False
        self._room -= len(answer.body)
        return True

    def _opened(
        self, opening: Opening, *, snapshot: bool = False
    ) -> AbstractContextManager[Connection]:
        seconds = max(self._end - time.monotonic(), _LEAST)
        return opening(snapshot=snapshot, seconds=seconds, room=self._room)
