"""What is to go on record of the request that is being answered?

The trail of a request is begun by who takes it in, and lies in a context variable, so that it
reaches whatever reads and writes on the way without being handed on: what forgot to hand it on
would leave no record. Reading puts down what was found; a unit of work takes its row of the log
from it. Threads that work for a request get its trail with its context.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

from service.caller import Caller
from service.store.audit.access import Access

_UNKNOWN = Caller("unknown", kind="")
_LONGEST_REQUEST = 128


@dataclass(slots=True)
class Trail:
    """One request: how it was asked, by whom, and what it came to so far.

    `query` is method and address, without secrets. `base` is the FHIR base URL of what it writes.
    `units` counts the units of work that put it on record already.
    """

    interaction: str = "unknown"
    query: str = ""
    address: str = ""
    request: str = ""
    target: str = ""
    caller: Caller = _UNKNOWN
    told: str = ""
    base: str = ""
    rids: set[int] = field(default_factory=set)
    clients: set[str] = field(default_factory=set)
    units: int = 0
    signed: bool = False
    """Whether what it writes gets a Provenance that names the caller."""
    provenance: dict[str, Any] | None = None
    """A Provenance of what is written, as the client sent it, without targets."""

    def access(
        self, at: int, status: int, changed: tuple[str, ...] = (), interaction: str = ""
    ) -> Access:
        """The record of it; `changed` are the versions that were written."""
        caller = self.caller
        return Access(
            at,
            interaction or self.interaction,
            status,
            caller.name,
            caller.kind,
            caller.reference,
            caller.token,
            caller.purpose,
            self.address,
            self.target,
            self.query,
            self.request[:_LONGEST_REQUEST],
            self.told,
            tuple(sorted(self.clients)),
            tuple(sorted(self.rids)),
            changed,
        )


_current: ContextVar[Trail | None] = ContextVar("hyoid_trail", default=None)


def current_trail() -> Trail | None:
    """The trail of the request that is being answered; None where none is, as in a command."""
    return _current.get()


class on_trail:  # noqa: N801 - used as `with on_trail(…)`; a generator would take thrice the time
    """What is read and written within this block belongs to the trail."""

    __slots__ = ("_before", "_trail")

    def __init__(self, trail: Trail) -> None:
        self._trail = trail

    def __enter__(self) -> Trail:
        self._before = _current.set(self._trail)
        return self._trail

    def __exit__(self, *_: object) -> None:
        _current.reset(self._before)


def touched(rid: int) -> None:
    """Put down that a resource, by its number, was found for the request."""
    trail = _current.get()
    if trail is not None:
        trail.rids.add(rid)


def touched_all(rids: Iterable[int]) -> None:
    """The same for several."""
    trail = _current.get()
    if trail is not None:
        trail.rids.update(rids)


def touched_client(patient: str) -> None:
    """Put down whose record was looked into, by the id of the Patient."""
    trail = _current.get()
    if trail is not None:
        trail.clients.add(patient)


def known_as(name: str) -> None:
    """Put down the name of the system that proved who it is."""
    trail = _current.get()
    if trail is not None:
        trail.caller = Caller(name)
