"""How far is a long piece of work, how fast is it, and how long will it still take?

On a terminal a bar (Rich); otherwise a plain line every few seconds, so that a log stays readable.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from service.commands._telling import say

SECONDS_BETWEEN_LINES = 5.0


class Meter(Protocol):
    """Told how much of the total was worked through, and how many things came of it."""

    def advance(self, amount: float, things: int = 0) -> None:
        """`amount` in the unit of the total (bytes, resources)."""
        ...


@contextmanager
def metered(label: str, total: float, noun: str) -> Iterator[Meter]:
    """A meter for the work in this block; `noun` names the things, in the plural."""
    console = Console()
    if not console.is_terminal:
        yield _Lines(label, total, noun)
        return
    bar = Progress(
        TextColumn(label),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn(f"{{task.fields[things]:,}} {noun}, {{task.fields[rate]:,.0f}}/s"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        # Else complaints would land in the bar's stream when stderr goes somewhere else.
        redirect_stderr=sys.stderr.isatty(),
    )
    with bar:
        yield _Bar(bar, total)


class _Bar:
    def __init__(self, bar: Progress, total: float) -> None:
        self._bar = bar
        self._task = bar.add_task("", total=total, things=0, rate=0.0)
        self._things = 0
        self._start = time.monotonic()

    def advance(self, amount: float, things: int = 0) -> None:
        self._things += things
        rate = self._things / max(time.monotonic() - self._start, 1e-3)
        self._bar.update(self._task, advance=amount, things=self._things, rate=rate)


class _Lines:
    def __init__(self, label: str, total: float, noun: str) -> None:
        self._label, self._total, self._noun = label, total, noun
        self._done = 0.0
        self._things = 0
        self._start = self._last = time.monotonic()

    def advance(self, amount: float, things: int = 0) -> None:
        self._done += amount
        self._things += things
        now = time.monotonic()
        if now - self._last < SECONDS_BETWEEN_LINES:
            return
        self._last = now
        gone = now - self._start
        share = min(self._done / self._total, 1.0) if self._total else 0.0
        left = f", {gone * (1 - share) / share:,.0f} s left" if share else ""
        say(
            f"{self._label}: {share:.0%}, {self._things:,} {self._noun},"
            f" {self._things / gone:,.0f}/s{left}"
        )
