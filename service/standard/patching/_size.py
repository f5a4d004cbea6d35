"""Is a value that a patch puts somewhere small and flat enough?"""

from __future__ import annotations

from typing import Any

_BYTES_A_VALUE = 16


def measure(value: Any, depth: int, room: int) -> int | None:
    """Roughly the bytes of a value; None where it is deeper or larger than allowed."""
    size = 0
    level = [value]
    while level:
        inner: list[Any] = []
        for item in level:
            size += _BYTES_A_VALUE
            if depth <= 0 and isinstance(item, dict | list):
                return None
            if isinstance(item, dict):
                size += sum(map(len, item))
                inner.extend(item.values())
            elif isinstance(item, list):
                inner.extend(item)
            elif isinstance(item, str):
                size += len(item)
        if size > room:
            return None
        depth -= 1
        level = inner
    return size
