"""How much may the expressions of one request do, and how much may they make?

Expressions come with plans, profiles and forms, so from outside. Steps are counted, and so is the
size of all that is made on the way: a text that doubles forty times takes few steps and all the
memory there is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

MOST_STEPS = 300_000
"""About a second. A form of 200 swallows with their table takes nearly all."""
MOST_ROOM = 1_000_000
"""Items of collections, and for every 64 characters of a text as much as for an item."""
_READ = 500
_SIGN = 200
"""Room for reading an expression, and for each of its signs, which takes the grammar long."""
MOST_BITS = 4_096
"""Of a whole number; twelve hundred digits."""


class BudgetError(TimeoutError):
    """More was done or made than the expressions of a request may."""


class Budget:
    """What is left: `steps` that may be taken, and `room` for what is made."""

    __slots__ = ("_read", "room", "steps")

    def __init__(self, steps: float = MOST_STEPS, room: float = MOST_ROOM) -> None:
        self.steps = steps
        self.room = room
        self._read: set[str] = set()

    def read(self, expression: str) -> None:
        """Take room for reading an expression by the grammar, the first time. Raises
        BudgetError."""
        if expression not in self._read:
            self._read.add(expression)
            self.take(_READ + _SIGN * sum(not sign.isalnum() for sign in expression))

    def spend(self, steps: int = 1) -> None:
        """Take steps. Raises BudgetError."""
        self.steps -= steps
        if self.steps < 0:
            raise BudgetError("The expressions take too many steps")

    def take(self, size: int) -> None:
        """Take room. Raises BudgetError."""
        self.room -= size
        if self.room < 0:
            raise BudgetError("The expressions make too much: too many items or too long texts")

    def hold(self, made: Sequence[Any]) -> None:
        """Take room for a collection: its items, and their texts. Raises BudgetError."""
        size = len(made)
        for item in made:
            if isinstance(item, str):
                size += len(item) >> 6
            elif type(item) is int and item.bit_length() > MOST_BITS:
                raise BudgetError("The expressions make too large a number")
        self.take(size)

    def look(self, value: Any) -> int:
        """Take room for a comparison, which looks through all that lies in a value; how much
        that was. Raises BudgetError."""
        size = 0
        waiting = [value]
        while waiting:
            each = waiting.pop()
            if isinstance(each, dict):
                waiting += each.values()
                seen = len(each) + 1
            elif isinstance(each, list):
                waiting += each
                seen = len(each) + 1
            else:
                seen = 1 + (len(each) >> 6 if isinstance(each, str) else 0)
            self.take(seen)
            size += seen
        return size


UNBOUNDED = Budget(math.inf, math.inf)
"""For rules of our own and of the standard, whose cost grows with the resource only."""
