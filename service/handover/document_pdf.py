"""The same page on paper: PDF by WeasyPrint, an optional extra (`pip install hyoid[pdf]`).

It is drawn by processes beside the service (`document_drawing.py`), a few at a time: what takes too
long or too much memory ends there, with a refusal.
"""

from __future__ import annotations

import atexit
import os
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import IO

from service.errors import NotAcceptable, Throttled, TooCostly
from service.handover import document_drawing as drawing

MOST = 250_000
"""Characters of a page: plain text of that length takes 4 s on the machine where it was tried."""
MOST_ELEMENTS = 6_000
"""Elements of a page: 500 rows of five cells are 3,000 and take 3 s there, 5,000 paragraphs 9 s."""
SECONDS = 15
ROOM = 1 << 30
"""Bytes of address space, of which WeasyPrint itself takes 300 MB; 10,000 paragraphs take 450."""

_AT_ONCE = 2
_WAITING = 6
"""More are refused: whoever waits keeps one of the service's threads."""
_PATIENCE = 10
"""Seconds."""

_TEXT_HTML = "ask for text/html and print it"


class Drawers:
    """The processes that draw. Each is started when it is needed first, or has ended."""

    def __init__(
        self,
        seconds: int = SECONDS,
        room: int = ROOM,
        at_once: int = _AT_ONCE,
        waiting: int = _WAITING,
        patience: float = _PATIENCE,
    ) -> None:
        self._places = threading.Semaphore(at_once + waiting)
        self._patience = patience
        # The one that was used last comes first: the others may never be needed.
        self._free: queue.LifoQueue[_Drawer] = queue.LifoQueue()
        for _ in range(at_once):
            self._free.put(_Drawer([str(seconds), str(room)]))

    def draw(self, page: bytes) -> bytes:
        """The PDF. Raises NotAcceptable, TooCostly, Throttled."""
        if not self._places.acquire(blocking=False):
            raise _busy()
        try:
            drawer = self._free.get(timeout=self._patience)
        except queue.Empty:
            raise _busy() from None
        else:
            try:
                return drawer.draw(page)
            finally:
                self._free.put(drawer)
        finally:
            self._places.release()

    def close(self) -> None:
        """End the processes; who draws with them is refused."""
        while not self._free.empty():
            self._free.get().end()


class _Drawer:
    def __init__(self, arguments: list[str]) -> None:
        self._command = [sys.executable, "-P", str(Path(drawing.__file__)), *arguments]
        self._process: subprocess.Popen[bytes] | None = None

    def draw(self, page: bytes) -> bytes:
        """The PDF. Raises NotAcceptable, TooCostly."""
        process = self._started()
        try:
            _pipe(process.stdin).write(len(page).to_bytes(4) + page)
            _pipe(process.stdin).flush()
            kind, body = _reply(process)
        except OSError:
            kind, body = b"", b""
        if kind == drawing.DRAWN:
            return body
        if kind == drawing.FAILED:
            raise NotAcceptable(
                f"The document cannot be laid out as a PDF; {_TEXT_HTML}", location="http.Accept"
            )
        if kind != drawing.TOO_COSTLY:
            # It has ended: killed, for want of memory on the machine.
            self.end()
        raise TooCostly(f"The document takes too long or too much memory for a PDF; {_TEXT_HTML}")

    def end(self) -> int:
        """End the process; its exit code, if it has ended by itself."""
        if self._process is None:
            return 0
        process, self._process = self._process, None
        with suppress(OSError):
            _pipe(process.stdin).close()
        _pipe(process.stdout).close()
        try:
            return process.wait(1)
        except subprocess.TimeoutExpired:
            process.kill()
            return process.wait()

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is None:
            return self._process
        self.end()
        self._process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # What it draws comes from anybody: it does not learn the service's secrets.
            env={name: text for name, text in os.environ.items() if name[:6] != "HYOID_"},
            # Ctrl-C is for the service; this ends with its input.
            start_new_session=True,
        )
        process = self._process
        if _reply(process)[0] != drawing.READY:
            if self.end() != drawing.ABSENT:
                raise TooCostly(f"No process could be started to draw a PDF; {_TEXT_HTML}")
            raise NotAcceptable(
                "application/pdf is offered where the extra hyoid[pdf] (WeasyPrint) is installed;"
                " it is not. text/html prints the same page",
                location="http.Accept",
            )
        return process


_DRAWERS = Drawers()
atexit.register(_DRAWERS.close)


def pdf(page: str, drawers: Drawers = _DRAWERS) -> bytes:
    """The page as PDF.

    Raises NotAcceptable where WeasyPrint or the libraries it needs are not installed, or fail at
    it; TooCostly where the page is too long, or takes too long or too much memory; Throttled where
    too many are drawn.
    """
    if len(page) > MOST or page.count("<") - page.count("</") > MOST_ELEMENTS:
        raise TooCostly(f"The document is too long for a PDF; {_TEXT_HTML}")
    return drawers.draw(page.encode())


def _reply(process: subprocess.Popen[bytes]) -> tuple[bytes, bytes]:
    """What it sends next, or nothing where it has ended."""
    stream = _pipe(process.stdout)
    kind = stream.read(1)
    size = int.from_bytes(stream.read(4))
    body = stream.read(size)
    return (kind, body) if len(body) == size else (b"", b"")


def _pipe(stream: IO[bytes] | None) -> IO[bytes]:
    assert stream is not None
    return stream


def _busy() -> Throttled:
    return Throttled("Too many documents are drawn as PDF: try again", headers={"Retry-After": "5"})
