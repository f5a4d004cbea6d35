"""Who is asking?

A `Caller` is made by `access` for every request and handed to every read, search and write of
the store. Narrowing to some clients is one SQL condition there (`store/visibility.py`).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caller:
    """A person or system, what they may do, and whose records they may see.

    `scopes` are SMART scopes, for instance `system/*.cruds`; none means that nothing is allowed.
    `clients` holds ids of Patient resources; None means no such narrowing.
    `tied` holds references to organisations, care teams and practitioners (`CareTeam/12`): only
    clients of these are seen; None means no such narrowing. Both given, a client of either is seen.
    `kind` is `system`, `person` or `anonymous`; `reference` the Device or Practitioner acted as.
    `token` is the id (jti) of the access token. `purpose` is the reason given for breaking the
    glass, empty where it is whole. `denied` holds ids of Patient resources whose records are
    withheld whatever else is allowed, because they deny that they are disclosed.
    """

    name: str
    scopes: frozenset[str] = frozenset()
    clients: frozenset[str] | None = None
    tied: frozenset[str] | None = None
    kind: str = "system"
    reference: str = ""
    token: str = ""
    purpose: str = ""
    denied: frozenset[str] = frozenset()


ANONYMOUS = Caller("anonymous", frozenset({"system/*.cruds"}), kind="anonymous")
"""The caller of `--access open`, which listens on loopback only."""
