"""How is SQL put together? As text with `?`, and the values in the order of the marks.

Only names and numbers of our own tables ever stand in the text; what a client sends is a value.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

_WIDEST = 64


class Sql(NamedTuple):
    """A piece of SQL and its values."""

    text: str
    params: tuple[Any, ...] = ()


def all_of(parts: Iterable[Sql]) -> Sql:
    """Each holds."""
    return _joined(" AND ", parts)


def any_of(parts: Iterable[Sql]) -> Sql:
    """At least one holds; in parentheses."""
    found = list(parts)
    if len(found) < 2:
        return found[0] if found else Sql("")
    if len(found) > _WIDEST:
        # SQLite counts `a OR b OR c …` as that deep.
        half = len(found) // 2
        found = [any_of(found[:half]), any_of(found[half:])]
    inner = _joined(" OR ", (Sql(f"({part.text})", part.params) for part in found))
    return Sql(f"({inner.text})", inner.params)


def marks(count: int) -> str:
    """`?, ?, ?`"""
    return ", ".join("?" * count)


def _joined(word: str, parts: Iterable[Sql]) -> Sql:
    found = list(parts)
    return Sql(
        word.join(part.text for part in found),
        tuple(value for part in found for value in part.params),
    )
