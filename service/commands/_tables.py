"""How does a command show a list? A row each; one line each where nobody looks on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from rich.console import Console
from rich.table import Table
from rich.text import Text

from service.commands._telling import printable

_WIDE = 200
"""Columns of a file or a pipe."""


def show_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table."""
    table = Table(*heads, box=None)
    for row in rows:
        table.add_row(*(Text(printable(cell)) for cell in row))
    console = Console()
    if not console.is_terminal:
        console = Console(width=_WIDE)
    console.print(table)


def state(disabled: int | None) -> str:
    """Whether somebody or something is let in."""
    return "enabled" if disabled is None else "disabled"


def day(microseconds: int) -> str:
    """The day of a time of the store, in UTC."""
    return datetime.fromtimestamp(microseconds / 1_000_000, UTC).date().isoformat()


def ties(tied: frozenset[str] | None) -> str:
    """Whose clients are seen."""
    return " ".join(sorted(tied or ())) or "all"
