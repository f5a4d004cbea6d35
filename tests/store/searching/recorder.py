"""A connection that remembers what was asked of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.store.connection import Connection


class Recorder(Connection):
    """Stands before another connection; `asked` are statements and their values."""

    __slots__ = ("asked", "connection")

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection.raw, connection.dialect)
        self.asked: list[tuple[str, Sequence[Any]]] = []

    def rows(self, sql: str, params: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        self.asked.append((sql, params))
        return super().rows(sql, params)
