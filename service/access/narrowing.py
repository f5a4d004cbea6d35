"""What may a system do of what it asks for, and was that worked out already?

The common part of two long lists of scopes with restrictions can be far longer than either, so it
is found scope by scope and given up where it becomes too long.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from service.access.scopes import narrowed

MOST_SCOPES = 100
"""Most scopes that a system has, asks for, or gets."""


def bounded(asked: Iterable[str], allowed: frozenset[str]) -> frozenset[str]:
    """The part of `asked` that is allowed. Raises ValueError where that is too long to tell."""
    found: set[str] = set()
    for number, text in enumerate(asked):
        found |= narrowed((text,), allowed)
        if number >= MOST_SCOPES or len(found) > MOST_SCOPES:
            raise ValueError(f"At most {MOST_SCOPES} scopes are taken")
    return frozenset(found)


def mark_of(allowed: frozenset[str]) -> str:
    """A short text that changes with the scopes, so that a token tells from which it was made."""
    return hashlib.sha256(" ".join(sorted(allowed)).encode()).hexdigest()[:16]
