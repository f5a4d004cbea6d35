"""Who is asking?

A `Caller` is made by `access` for every request and handed to every read, search and write of
the store. Narrowing to some clients is one SQL condition there (`store/visibility.py`).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caller:
    """A person or system, what they may do, and whose records they may see.

    `clients` holds ids of Patient resources; None means no narrowing.
    `scopes` are SMART scopes, for instance `system/*.cruds`.
    """

    name: str
    scopes: frozenset[str] = frozenset()
    clients: frozenset[str] | None = None


ANONYMOUS = Caller("anonymous", frozenset({"system/*.cruds"}))
"""The caller of `--access open`, which listens on loopback only."""
