"""Which stored session does a clinic's number mean, for this caller? None of them: which id then?

Asked of what the caller sees, by the identifier. Clinics may number alike, so a number alone may
mean several; `deciding.py` tells which one.
"""

from __future__ import annotations

import base64
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from service.caller import Caller
from service.errors import HyoidError
from service.intake.deciding import Stored, stored_of
from service.intake.drafts import Draft
from service.intake.identity import Session, earlier_id, encounter_ids
from service.intake.linking import escaped
from service.standard.codec import decode, decode_resource
from service.standard.grants import grants_of, insufficient
from service.standard.search_query import parse_search
from service.store.connection import Connection
from service.store.current import current_version, is_hidden
from service.store.rows import Stored as Version
from service.store.searching import find

Json = dict[str, Any]

_READ = {"Encounter": "rs", "DocumentReference": "r", "Provenance": "r"}
_MOST = 10
"""Sessions of one client under one number that are looked at."""


@dataclass(frozen=True, slots=True)
class Meant:
    """What the caller sees under a number, and the id that a new session would get."""

    stored: tuple[Stored, ...]
    new: str | None

    @property
    def seen(self) -> tuple[object, ...]:
        """What a decision rests on: where it is the same later on, so is the decision."""
        return tuple((each.id, each.vid) for each in self.stored), self.new


class Numbers:
    """Looks up what numbers mean to one caller, in one connection."""

    def __init__(self, connection: Connection, caller: Caller) -> None:
        self._connection = connection
        self._caller = caller

    def meant(self, draft: Draft, client: str) -> Meant:
        """What is there under the number of a note of this client."""
        found = self._under(draft)
        if len(found) > 1:
            found = self._under(draft, client) or found
        stored = tuple(self._stored(draft, each) for each in found)
        return Meant(stored, None if stored else self._new_id(draft, client))

    def session(self, draft: Draft, encounter: str) -> Session:
        """The session with its identities."""
        return Session(draft.system, draft.value, draft.clinic, encounter, self._is_hidden)

    def _under(self, draft: Draft, client: str | None = None) -> list[Version]:
        token = f"{escaped(draft.system)}|{escaped(draft.value)}"
        criteria = [("identifier", token)] + ([("patient", client)] if client else [])
        query = parse_search("Encounter", criteria, strict=True)
        return find(self._connection, self._caller, query, limit=_MOST if client else 2)

    def _stored(self, draft: Draft, encounter: Version) -> Stored:
        session = self.session(draft, encounter.id)
        document = self._current("DocumentReference", session.id("DocumentReference"))
        provenance = self._current("Provenance", session.id("Provenance"))
        note = _note_in(_body(document))
        body = decode_resource(encounter.body or b"")
        # Deleted by somebody, they were there all the same.
        is_ours = document is not None or provenance is not None
        return stored_of(body, encounter.vid, _body(provenance), note, is_ours=is_ours)

    def _new_id(self, draft: Draft, client: str) -> str:
        earlier = earlier_id(draft.system, draft.value, "Encounter")
        if self._was_of(client, earlier):
            return earlier
        ids = encounter_ids(draft.system, draft.value, client)
        return next(key for key in ids if self._is_free(client, key))

    def _is_free(self, client: str, key: str) -> bool:
        """Whether a new session of the client may have this id, perhaps once more.

        Not where it is in use: that session was given another number, or client, by somebody.
        """
        if self._current("Encounter", key) is None:
            return not self._is_hidden("Encounter", key)
        return self._was_of(client, key)

    def _was_of(self, client: str, key: str) -> bool:
        """Whether it was a session of this client and was deleted."""
        there = self._current("Encounter", key)
        if there is None or not there.deleted:
            return False
        ids = frozenset({client.partition("/")[2]})
        of_client = replace(self._caller, clients=ids, tied=None)
        return current_version(self._connection, of_client, "Encounter", key) is not None

    def _current(self, kind: str, key: str) -> Version | None:
        return current_version(self._connection, self._caller, kind, key)

    def _is_hidden(self, kind: str, key: str) -> bool:
        return is_hidden(self._connection, self._caller, kind, key)


def require_sight(caller: Caller) -> None:
    """Raise Forbidden where scopes keep a caller from seeing which sessions are there already."""
    for kind, letters in _READ.items():
        if not grants_of(caller).wholly(letters, (kind,)):
            raise insufficient(
                f"To take a session once only, {letters!r} is needed for all of {kind}"
            )


def _body(stored: Version | None) -> Json | None:
    return decode_resource(stored.body) if stored is not None and stored.body else None


def _note_in(document: Json | None) -> Json | None:
    for content in (document or {}).get("content", ()):
        attachment = content.get("attachment", {})
        if attachment.get("contentType") == "application/json":
            with suppress(HyoidError, ValueError):
                found = decode(base64.b64decode(attachment.get("data", ""), validate=True))
                return found if isinstance(found, dict) else None
    return None
