"""What is put on record of one access? Names and numbers, never what was shown."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any

import orjson

from service.errors import Issue


@dataclass(slots=True)
class Access:
    """One access by one caller, as it goes on record. Three are made for each request, so it is
    not frozen, which would cost as much as the rest of it.

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
    """An AuditEvent that somebody else sent, as JSON; `changed` then holds what it is about."""

    def encoded(self) -> bytes:
        """One line of JSON without what is empty: what is hashed, and kept."""
        pairs = zip(_NAMES, _values(self), strict=True)
        return orjson.dumps({name: value for name, value in pairs if value or value == 0})

    def settle(self, clients: Iterable[str]) -> None:
        """Put the clients of the resources that were shown in their place."""
        self.clients = tuple(sorted({*self.clients, *clients}))
        self.rids = ()

    def references(self) -> set[str]:
        """What it can be found by: `Type/id` of the clients, of the target and of what changed,
        and `agent Type/id` of whom the agent acts as."""
        found = {_unversioned(name) for name in (self.target, *self.changed) if "/" in name}
        found |= {f"Patient/{client}" for client in self.clients}
        return found | {f"agent {self.acts_as}"} if self.acts_as else found


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


_NAMES = tuple(field.name for field in fields(Access))
_values = attrgetter(*_NAMES)


def _unversioned(name: str) -> str:
    return "/".join(name.split("/", 2)[:2])
