"""Who is signed in with this cookie, and still? (OWASP Session Management Cheat Sheet)

The token is 256 random bits; the database has its hash only. A session is remembered for
`RECHECK` seconds, so that a sign-out or a disabling counts within a second. That the browser is in
use is written down once a minute: an idle limit may come so much early, never late.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from service.access.people_roles import scopes_of_role
from service.access.remembered import Remembered
from service.caller import Caller
from service.errors import HyoidError
from service.store.engine import Database
from service.store.people import Person
from service.store.people_sessions import (
    Session,
    end_session,
    see_session,
    standing_session,
    start_session,
)

RECHECK = 1.0
REMEMBERED = 4096
SEEN_EVERY = 60
"""Seconds between two notes that a session is in use; for short idle limits, a tenth of them."""


@dataclass(frozen=True, slots=True)
class Span:
    """How long a session lasts, in seconds: without use, and at most."""

    idle: int
    whole: int


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who is signed in, and as whom they ask."""

    person: Person
    caller: Caller


@dataclass(slots=True)
class _Known:
    session: Session
    signed_in: SignedIn
    checked: float


class Sessions:
    """The sessions that one process has seen. `clock` gives seconds since 1970."""

    def __init__(
        self,
        database: Database,
        span: Span,
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self._database = database
        self._span = span
        self._clock = clock
        self._ticks = ticks
        self._known: Remembered[str, _Known] = Remembered(REMEMBERED)

    @property
    def seconds(self) -> int:
        """How long a session lasts at most."""
        return self._span.whole

    def start(self, login: str, replaced: str | None = None) -> str:
        """A new session; the token for the cookie. The one that the browser had ends."""
        if replaced:
            self.end(replaced)
        token, now = secrets.token_urlsafe(32), int(self._clock())
        start_session(self._database, digest_of(token), login, now, now + self._span.whole)
        return token

    def end(self, token: str) -> str | None:
        """Sign out; who it was."""
        digest = digest_of(token)
        self._known.forget(digest)
        return end_session(self._database, digest)

    def signed_in(self, token: str) -> SignedIn | None:
        """Who is signed in with this token; None where it counts no more."""
        digest = digest_of(token)
        now, ticks = int(self._clock()), self._ticks()
        known = self._known.get(digest)
        if known is None or ticks - known.checked >= RECHECK:
            known = self._looked_up(digest, ticks)
        if known is None or not self._counts(known.session, now):
            return None
        if self._is_to_be_seen(known.session, now):
            with suppress(HyoidError):
                see_session(self._database, digest, now)
                known.session = Session(known.session.person, now, known.session.expires)
        return known.signed_in

    def is_fresh(self, token: str) -> bool:
        """Whether `signed_in` would answer without the database."""
        known = self._known.peek(digest_of(token))
        return (
            known is not None
            and self._ticks() - known.checked < RECHECK
            and not self._is_to_be_seen(known.session, int(self._clock()))
        )

    def _counts(self, session: Session, now: int) -> bool:
        return (
            session.person.disabled is None
            and session.expires > now
            and session.seen + self._span.idle > now
        )

    def _is_to_be_seen(self, session: Session, now: int) -> bool:
        return now - session.seen >= min(SEEN_EVERY, self._span.idle // 10)

    def _looked_up(self, digest: str, ticks: float) -> _Known | None:
        with self._database.reader() as connection:
            session = standing_session(connection, digest)
        if session is None:
            self._known.forget(digest)
            return None
        known = _Known(session, SignedIn(session.person, _caller(session, digest)), ticks)
        self._known.keep(digest, known)
        return known


def digest_of(token: str) -> str:
    """What the database has of a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def caller_of(person: Person, scopes: frozenset[str], token: str) -> Caller:
    """The person as who asks; `token` names the session or access token in the audit log."""
    return Caller(
        person.login,
        scopes,
        tied=person.tied,
        kind="person",
        reference=person.reference,
        token=token,
    )


def _caller(session: Session, digest: str) -> Caller:
    # Part of the hash tells sessions apart, and opens none.
    return caller_of(session.person, scopes_of_role(session.person.role), digest[:32])
