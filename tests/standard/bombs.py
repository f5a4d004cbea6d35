"""How is it tried that an expression from outside is refused before it takes the machine?

The bombs run in a process of their own, which may have only so much memory, so that one that goes
off is an error there and nothing else. What one took is read off the processor's clock.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

MOST_SECONDS = 2.0
_MORE_MEMORY = 200 << 20
"""Bytes beside what the process has anyway."""


class Result(NamedTuple):
    """What came of a bomb: the name of the exception, or what it gave."""

    bomb: str
    outcome: str
    seconds: float


def results_of(module: str) -> list[Result]:
    """What comes of the bombs of a module, which calls `run` when it is the main one."""
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-m", module], cwd=root, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return [Result(*each) for each in json.loads(done.stdout)]


def run(bombs: Iterable[str], explode: Callable[[str], object]) -> None:
    """Try each, and print what came of it."""
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + _MORE_MEMORY, -1))
    found = []
    for bomb in bombs:
        begun = time.process_time()
        try:
            outcome = f"value {str(explode(bomb))[:40]}"
        except Exception as error:
            outcome = type(error).__name__
        found.append(Result(bomb, outcome, time.process_time() - begun))
    print(json.dumps(found))
