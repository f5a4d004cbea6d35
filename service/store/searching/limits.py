"""How much may one search touch, and what where the engine itself says that it is too much?"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from service.errors import TooCostly


@dataclass(frozen=True, slots=True)
class Limits:
    """Rows of an index, unless said otherwise.

    few        so few that they are collected without a second thought
    many       so many are still better collected than looked for in another order
    chunk      examined at first, in the order of pages, before it is looked whether more is there
    examined   examined for one page; what was found until there is the page
    collected  collected and sorted where nothing else helps
    counted    gone through for an accurate total
    included   resources included in one answer
    """

    few: int = 1_000
    many: int = 10_000
    chunk: int = 2_000
    examined: int = 100_000
    collected: int = 100_000
    counted: int = 2_000_000
    included: int = 1_000


DEFAULT = Limits()

_TOLD = {
    "sqlite3": ("parser stack overflow", "Expression tree is too large", "too many"),
    "psycopg": ("number of parameters must be",),
}
_POSTGRESQL = ("54000", "54001", "54011", "54023")
"""Class 54, program limit exceeded."""


@contextmanager
def within_the_engine() -> Iterator[None]:
    """Turn the refusal of a statement that is too complex into TooCostly."""
    try:
        yield
    except Exception as error:
        told = str(error).startswith(_TOLD.get(type(error).__module__.partition(".")[0], ()))
        if told or getattr(error, "sqlstate", None) in _POSTGRESQL:
            raise TooCostly("The search is too complex; ask for less at once") from error
        raise
