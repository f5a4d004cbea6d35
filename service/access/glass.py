"""May this person break the glass: see clients beyond their own, for a reason that is kept?

The header `X-Purpose` tells the reason in words. It counts where `HYOID_BREAK_GLASS` allows it,
for people, not for systems, and for reading alone: the store lifts the ties to organisations and
teams for it, never explicit clients, never scopes. The audit log tells every such access apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from service.caller import Caller
from service.errors import Forbidden, Malformed

HEADER = "X-Purpose"
SHORTEST, LONGEST = 10, 500
"""Characters of a reason."""


def with_purpose(caller: Caller, headers: Mapping[str, str], *, allowed: bool) -> Caller:
    """The caller with the reason given; as it is where none is needed or given.

    Raises Forbidden where the glass may not be broken, Malformed for a reason that is none.
    """
    given = headers.get(HEADER.lower())
    if given is None or caller.tied is None:
        return caller
    if not allowed or caller.kind != "person":
        raise Forbidden(
            "Clients beyond your own are not shown here, whatever the reason",
            location=f"http.{HEADER}",
        )
    reason = _as_written(given)
    if not (SHORTEST <= len(reason) <= LONGEST and reason.isprintable()):
        raise Malformed(
            f"{HEADER} is a reason in {SHORTEST} to {LONGEST} characters",
            location=f"http.{HEADER}",
        )
    return replace(caller, purpose=reason)


def _as_written(given: str) -> str:
    """Headers come as Latin-1; what was sent in UTF-8 is read so."""
    try:
        return given.encode("latin-1").decode("utf-8").strip()
    except UnicodeError:
        return given.strip()
