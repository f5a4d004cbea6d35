"""What does a process remember of the tokens that it has seen? The newest so many, by a hash."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Generic, TypeVar

K = TypeVar("K")
V = TypeVar("V")


class Remembered(Generic[K, V]):
    """At most `most` values; the one that was asked for the longest ago is forgotten first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: OrderedDict[K, V] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._values)

    def get(self, key: K) -> V | None:
        """The value, which is now the last to be forgotten."""
        with self._lock:
            found = self._values.get(key)
            if found is not None:
                self._values.move_to_end(key)
            return found

    def peek(self, key: K) -> V | None:
        """The value; what is forgotten next stays as it was, and nothing waits."""
        return self._values.get(key)

    def keep(self, key: K, value: V) -> None:
        """Remember a value in the place of the one before."""
        with self._lock:
            self._values[key] = value
            self._values.move_to_end(key)
            while len(self._values) > self._most:
                self._values.popitem(last=False)

    def forget(self, key: K) -> None:
        """Remember it no more."""
        with self._lock:
            self._values.pop(key, None)
