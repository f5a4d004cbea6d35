"""How is SQL put together? As text with `?`, and the values in the order of the marks.

Only names and numbers of our own tables ever stand in the text; what a client sends is a value.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple, TypeVar

AT_ONCE = 512
"""Values in one `IN`: so many that the look-ups cost, and not the statements."""

_WIDEST = 64

T = TypeVar("T")


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


def pair_marks(count: int) -> str:
    """`(?, ?), (?, ?)`"""
    return ", ".join(["(?, ?)"] * count)


def batches(values: Sequence[T], size: int = AT_ONCE) -> Iterator[Sequence[T]]:
    """The values, at most `size` at a time."""
    return (values[start : start + size] for start in range(0, len(values), size))


def padded(values: Sequence[Any]) -> tuple[Any, ...]:
    """The values for an `IN`, the last one repeated up to a power of two: so that lists of all
    lengths make few different statements, which the engines keep prepared."""
    given = tuple(values)
    return given + given[-1:] * ((1 << (len(given) - 1).bit_length()) - len(given))


def _joined(word: str, parts: Iterable[Sql]) -> Sql:
    found = list(parts)
    return Sql(
        word.join(part.text for part in found),
        tuple(value for part in found for value in part.params),
    )
