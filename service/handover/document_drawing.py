"""How is a page drawn without harm to the service? In a process of its own, by WeasyPrint.

`document_pdf.py` starts this file as a program. It loads WeasyPrint once (a second) and forks for
each page: a narrative may come from anybody, and what it takes to lay it out cannot be told before.
The fork has a limit of time and of memory, and nothing of the page before.

Both ways a length (4 bytes, the highest first) and so many bytes; what comes back has one letter
before it, see below. Nothing is fetched: not from the network, not from a file.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import os
import resource
import signal
import sys
import traceback
from typing import Any

READY, DRAWN, TOO_COSTLY, FAILED = b"R", b"D", b"C", b"F"
ABSENT = 3
"""The exit code where WeasyPrint, or a library it needs, is not installed."""

_DEEPEST = 10_000
"""Python's own bound, 1000, is reached by some 100 elements within one another."""
_GIVES_WAY = 5
"""How much it gives way to the service on the same processors (nice)."""


def main(seconds: int, room: int) -> None:
    """Draw page after page until the input ends; `seconds` and bytes of memory for each."""
    try:
        importlib.import_module("weasyprint.urls")
        library = importlib.import_module("weasyprint")
    except (ImportError, OSError):
        # OSError: Pango, which it draws text with, is missing.
        sys.exit(ABSENT)
    # Warnings may quote the page.
    logging.disable()
    os.nice(_GIVES_WAY)
    _send(READY, b"")
    while page := _received():
        child = os.fork()
        if not child:
            _draw(library, page.decode(), seconds, room)
        _, status = os.waitpid(child, 0)
        if status:
            _send(FAILED if os.waitstatus_to_exitcode(status) == 1 else TOO_COSTLY, b"")


def _draw(library: Any, page: str, seconds: int, room: int) -> None:
    """Send the PDF and end: 0 drawn, 1 WeasyPrint failed, anything else too much."""
    # Unhandled, it ends the process, whatever it is doing.
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.alarm(seconds)
    with contextlib.suppress(ValueError, OSError):
        # Not every system has this limit, or lets it be set.
        resource.setrlimit(resource.RLIMIT_AS, (room, room))
    sys.setrecursionlimit(_DEEPEST)
    try:
        nowhere = library.urls.URLFetcher(allowed_protocols=())
        made = library.HTML(string=page, url_fetcher=nowhere, media_type="print").write_pdf()
        signal.alarm(0)
        _send(DRAWN, made)
    except (MemoryError, RecursionError):
        os._exit(2)
    except BaseException as error:
        # Where it was, never its text: that may quote the record.
        traceback.print_tb(error.__traceback__)
        print(type(error).__name__, file=sys.stderr, flush=True)
        os._exit(1)
    os._exit(0)


def _received() -> bytes:
    size = sys.stdin.buffer.read(4)
    return sys.stdin.buffer.read(int.from_bytes(size)) if size else b""


def _send(kind: bytes, body: bytes) -> None:
    sys.stdout.buffer.write(kind + len(body).to_bytes(4) + body)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
