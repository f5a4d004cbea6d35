"""What is asked, and what is answered? The same for a request and for an entry of a Bundle."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field

from service.caller import Caller
from service.settings import Settings
from service.store.connection import Connection
from service.store.store import Store

FHIR_JSON = "application/fhir+json"


@dataclass(frozen=True, slots=True)
class Service:
    """What every interaction works with."""

    store: Store
    settings: Settings
    cursor_key: bytes
    """Signs the page cursors."""


def for_nothing(cost: int) -> None:
    """Where no rate is held to, or all was counted before."""


@dataclass(slots=True)
class Call:
    """One interaction as asked.

    `path` is split below the FHIR base URL `base`; `headers` have lower-case names.
    """

    method: str
    path: tuple[str, ...]
    query: tuple[tuple[str, str], ...]
    headers: Mapping[str, str]
    body: bytes
    base: str
    caller: Caller
    reading: Callable[..., AbstractContextManager[Connection]]
    """Opens what is read from: the store, or the unit of work of a transaction."""
    in_transaction: bool = False
    """Whether it is an entry of a transaction, in which nothing may write by itself."""
    in_bundle: bool = False
    """Whether it is an entry of a batch or a transaction."""
    owe: Callable[[int], None] = for_nothing
    """Counts so many requests more against the caller's rate: known when the body is read."""
    is_gone: Callable[[], bool] = bool
    """Whether nobody waits for the answer any more."""

    def parameter(self, name: str) -> str | None:
        """The first value of a query parameter."""
        return next((value for key, value in self.query if key == name), None)


@dataclass(slots=True)
class Answer:
    """An HTTP answer; `updated` is the instant of the version it is about, for Bundles.

    `pieces` stand for the body where that is sent as it is made.
    """

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    media_type: str = FHIR_JSON
    updated: str | None = None
    pieces: Iterator[bytes] | None = None
