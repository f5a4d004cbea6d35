"""May what this unit of work writes stay? Asked of who sees only a part of the store.

Two questions. Does it name a client who is not the caller's? That is asked before it is written: a
care team that makes its writer a member must not give him the client by itself. Clients that are
new in the unit are exempt, if in the end they are the caller's. And does it lie within the scopes
and among the clients? That is asked in the end, when all of the unit is in place.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from service.caller import Caller
from service.errors import Forbidden
from service.standard.grants import insufficient
from service.standard.mentions import referred
from service.store.attaching import Attaching
from service.store.caseload import own_client
from service.store.connection import Connection
from service.store.keepers import is_of_others
from service.store.rows import Stored
from service.store.visibility import about_clients, and_visible, may_miss

Key = tuple[str, str]


class _Written(NamedTuple):
    rid: int
    letter: str


class Claims:
    """What one caller wrote in one unit of work and is not settled yet."""

    def __init__(self, caller: Caller, start: int) -> None:
        """`start` is the number of the last change before the unit."""
        self._caller = caller
        self._attaching = Attaching(caller, start)
        self._open: dict[Key, _Written] = {}
        self._own: set[str] = set()
        self._new: set[str] = set()

    def name(self, connection: Connection, letter: str, clients: Iterable[str]) -> None:
        """Raise Forbidden where one of these clients is not the caller's.

        The same whether there is such a client or not.
        """
        for client in sorted(set(clients) - self._own - self._new):
            if not self._is_own(connection, letter, client):
                raise not_yours()
            self._own.add(client)

    def note(self, key: Key, rid: int, letter: str) -> None:
        """Remember that it was written, by this letter of the scopes."""
        if not may_miss(self._caller, letter, key[0]):
            return
        # What is new in this unit stays new, however often it is written.
        earlier = self._open.get(key)
        self._open[key] = _Written(rid, earlier.letter if earlier else letter)

    def expect(self, client: str) -> None:
        """A client comes with this unit. Whose it is, is asked in the end."""
        self._new.add(client)

    def led_before(self, connection: Connection, document: Stored) -> None:
        """Remember where a DocumentReference leads that is to be changed."""
        self._attaching.led_before(connection, document)

    def forget(self, key: Key) -> None:
        """It was deleted again."""
        self._open.pop(key, None)

    def unsettled(self) -> list[Key]:
        """What is not settled."""
        return list(self._open)

    def settle(self, connection: Connection, key: Key) -> None:
        """Raise Forbidden where it lies outside of what the caller may write."""
        written = self._open.pop(key, None)
        if written is None:
            return
        kind, id_ = key
        if kind == "Patient" and not self._is_own(connection, written.letter, id_):
            raise not_yours()
        if kind == "DocumentReference" and not self._attaching.may(
            connection, written.letter, written.rid
        ):
            raise Forbidden("The DocumentReference leads to a Binary that is not yours")
        shared = kind not in about_clients()
        if shared and is_of_others(connection, self._caller, kind, written.rid):
            raise Forbidden("Another's definition has this URL, and it is not yours to change")
        seen, params = and_visible(self._caller, "r.rid", written.letter, (kind,))
        where = f"SELECT 1 FROM resource r WHERE r.rid = ?{seen}"
        if not connection.row(where, (written.rid, *params)):
            raise insufficient("The resource as it is sent is not one that this caller may write")

    def _is_own(self, connection: Connection, letter: str, client: str) -> bool:
        if self._caller.clients is not None and client in self._caller.clients:
            return True
        own = own_client(self._caller, letter, "n.patient")
        if own is None:
            return True
        given = "(SELECT CAST(? AS TEXT) AS patient) n"
        return bool(connection.row(f"SELECT 1 FROM {given} WHERE {own[0]}", (client, *own[1])))


def not_yours() -> Forbidden:
    """The same whether the other client is there or not."""
    return Forbidden("The resource names a client who is not yours")


def patients_named(body: bytes, base: str) -> set[str]:
    """The clients referred to anywhere in stored bytes; `base` is the FHIR base URL."""
    return {key for kind, key in referred(body, base) if kind == "Patient"}
