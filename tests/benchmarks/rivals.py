"""The service and its two stand-ins, each in a process of its own on a new store."""

from __future__ import annotations

import sys
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.live import ROOT, free_port, running, running_service

NAMES = ("ours", "bare", "ordinary")


@contextmanager
def rivals(folder: Path) -> Iterator[dict[str, str]]:
    """The URL below which each takes `Observation/[id]`, and transactions at the URL itself."""
    with ExitStack() as services:
        found = {"ours": services.enter_context(running_service(_file(folder))) + "/fhir"}
        for name in NAMES[1:]:
            port = free_port()
            command = [sys.executable, "-m", "tests.benchmarks.stand_ins", name, str(folder)]
            found[name] = services.enter_context(running([*command, str(port)], port, cwd=ROOT))
        yield found


def put(url: str, body: bytes) -> None:
    """Store a resource."""
    asked = urllib.request.Request(
        url, body, {"Content-Type": "application/fhir+json"}, method="PUT"
    )
    with urllib.request.urlopen(asked) as answer:
        assert answer.status in (200, 201)


def _file(folder: Path) -> str:
    return f"sqlite:///{folder / 'ours.sqlite3'}"
