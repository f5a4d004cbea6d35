"""What is put on record of one access? Names and numbers, never what was shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import orjson

from service.errors import Issue

SENT = "sent"
"""What every AuditEvent is found by that somebody else sent."""
NAME = "name "
"""Before the name or identifier of an agent in such an event."""
LONGEST_NAME = 200
"""Characters of it that count: an index has no room for any length."""
BY_DATE = "recorded "
"""Before what such an event is found by at the time that it tells of itself."""


@dataclass(slots=True)
class Access:
    """One access by one caller, as it goes on record. Two are made for each request, so it is not
    frozen, which would cost as much as the rest of it.

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
    """An AuditEvent that somebody else sent, as JSON: it says what it likes. Who sent it is
    `agent`, and when `at`."""
    recorded: int | None = None
    """When that says that it was recorded."""
    found_by: tuple[str, ...] = ()
    """What that is found by besides: `Type/id` of what it is about, `agent Type/id` and `name …` of
    whom it names. It never waits for the log."""

    def encoded(self) -> bytes:
        """One line of JSON without what is empty: what is hashed, and kept.

        Written out field by field, as is `waiting`: a loop over them takes more than twice the
        time, for each read.
        """
        line: dict[str, Any] = {
            "at": self.at,
            "interaction": self.interaction,
            "status": self.status,
            "agent": self.agent,
        }
        if self.kind:
            line["kind"] = self.kind
        if self.acts_as:
            line["acts_as"] = self.acts_as
        if self.token:
            line["token"] = self.token
        if self.purpose:
            line["purpose"] = self.purpose
        if self.address:
            line["address"] = self.address
        if self.target:
            line["target"] = self.target
        if self.query:
            line["query"] = self.query
        if self.request:
            line["request"] = self.request
        if self.told:
            line["told"] = self.told
        if self.clients:
            line["clients"] = self.clients
        if self.rids:
            line["rids"] = self.rids
        if self.changed:
            line["changed"] = self.changed
        if self.body:
            line["body"] = self.body
        if self.recorded is not None:
            line["recorded"] = self.recorded
        if self.found_by:
            line["found_by"] = self.found_by
        return orjson.dumps(line)

    def waiting(self) -> bytes:
        """One line of JSON by which it waits for the log: its fields in their order, which is
        quicker to write and to read."""
        return orjson.dumps(
            (
                self.at,
                self.interaction,
                self.status,
                self.agent,
                self.kind,
                self.acts_as,
                self.token,
                self.purpose,
                self.address,
                self.target,
                self.query,
                self.request,
                self.told,
                self.clients,
                self.rids,
                self.changed,
                self.body,
            )
        )

    def settle(self, clients: frozenset[str]) -> None:
        """Put the clients of the resources that were shown in their place."""
        if not clients.issubset(self.clients):
            self.clients = tuple(sorted(clients.union(self.clients)))
        self.rids = ()

    def references(self) -> set[str]:
        """What it can be found by: `Type/id` of the clients, of the target and of what changed,
        and `agent Type/id` of whom the agent acts as."""
        found = {f"Patient/{client}" for client in self.clients}
        if "/" in self.target:
            found.add(_unversioned(self.target))
        if self.changed:
            found.update(_unversioned(name) for name in self.changed if "/" in name)
        if self.acts_as:
            found.add(f"agent {self.acts_as}")
        if self.recorded is not None:
            found.update((SENT, *self.found_by))
        return found

    def references_by_date(self) -> set[str]:
        """What an event that was sent can be found by at the time that it tells of itself."""
        if self.recorded is None:
            return set()
        return {f"{BY_DATE}{reference}" for reference in self.references()}


def decoded(line: bytes) -> Access:
    """An access from what `encoded` or `waiting` made. Raises ValueError for anything else."""
    found: Any = orjson.loads(line)
    try:
        if isinstance(found, list):
            found[_LISTS] = map(tuple, found[_LISTS])
            return Access(*found)
        for name in ("clients", "rids", "changed", "found_by"):
            if name in found:
                found[name] = tuple(found[name])
        return Access(**found)
    except TypeError as error:
        raise ValueError(f"not a record of an access: {error}") from error


def told(issues: tuple[Issue, ...]) -> str:
    """Why it was refused, in few words."""
    return issues[0].text[:200] if issues else ""


_LISTS = slice(13, 16)
"""Where `clients`, `rids` and `changed` stand in a line that waits."""


def _unversioned(name: str) -> str:
    return name if name.count("/") == 1 else "/".join(name.split("/", 2)[:2])
