"""What is put on record of one access? Names and numbers, never what was shown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import orjson

from service.errors import Issue


@dataclass(frozen=True, slots=True)
class Access:
    """One access by one caller, as it goes on record.

    `at` is in microseconds since 1970 (UTC). `interaction` is a code of
    http://hl7.org/fhir/restful-interaction, `login` or `logout`, or one of our own,
    mappings/code-systems/audit-interaction.json. `told` says why it was refused.
    `clients` are ids of Patient resources; `rids` numbers of resources whose clients are still to
    be looked up, empty once it is in the log. `changed` holds `Type/id/_history/n`.
    """

    at: int
    interaction: str
    status: int
    agent: str
    kind: str = ""
    acts_as: str = ""
    token: str = ""
    purpose: str = ""
    address: str = ""
    target: str = ""
    query: str = ""
    request: str = ""
    told: str = ""
    clients: tuple[str, ...] = ()
    rids: tuple[int, ...] = ()
    changed: tuple[str, ...] = ()
    body: str = ""
    """An AuditEvent that somebody else sent, as JSON."""

    def encoded(self) -> bytes:
        """One line of JSON without what is empty: what is hashed, and kept."""
        return orjson.dumps({name: value for name, value in _pairs(self) if value or value == 0})

    def of_clients(self, clients: tuple[str, ...]) -> Access:
        """The same, with the clients of the resources that were shown."""
        return replace(self, clients=tuple(sorted({*self.clients, *clients})), rids=())

    def references(self) -> set[str]:
        """What it can be found by: `Type/id` of the clients, of the target and of what changed."""
        targets = {_unversioned(name) for name in (self.target, *self.changed) if "/" in name}
        return targets | {f"Patient/{client}" for client in self.clients}


def decoded(line: bytes) -> Access:
    """An access from what `encoded` made. Raises ValueError for anything else."""
    found: Any = orjson.loads(line)
    try:
        for name in ("clients", "rids", "changed"):
            if name in found:
                found[name] = tuple(found[name])
        return Access(**found)
    except TypeError as error:
        raise ValueError(f"not a record of an access: {error}") from error


def told(issues: tuple[Issue, ...]) -> str:
    """Why it was refused, in few words."""
    return issues[0].text[:200] if issues else ""


def _pairs(access: Access) -> list[tuple[str, Any]]:
    return [(name, getattr(access, name)) for name in Access.__slots__]


def _unversioned(name: str) -> str:
    return "/".join(name.split("/", 2)[:2])
