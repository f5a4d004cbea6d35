"""Which browsers are signed in, and who is it? Links that sign in once; sign-ins that go on
elsewhere.

Only hashes of tokens are kept: who reads the database can't sign in with it. Whoever writes here
clears away a few rows that have expired. Times in seconds since 1970.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from service.store.audit.commanded import put_on_record
from service.store.connection import Connection
from service.store.engine import Database
from service.store.people import Person, person_of
from service.store.unit import take_turn

CLEARED = 200
"""Most expired rows of a table that one writer clears away."""

_TABLES = ("person_session", "sign_in_link", "openid_attempt")
_START = "INSERT INTO person_session (digest, login, seen, expires) VALUES (?, ?, ?, ?)"
_STANDING = (
    "SELECT p.login, p.role, p.reference, p.tied, p.name, p.passphrase, p.created, p.disabled,"
    " s.seen, s.expires FROM person_session s JOIN person p ON p.login = s.login"
    " WHERE s.digest = ?"
)
_SEE = "UPDATE person_session SET seen = ? WHERE digest = ? AND seen < ?"
_END = "DELETE FROM person_session WHERE digest = ? RETURNING login"
_ADD_LINK = "INSERT INTO sign_in_link (digest, login, expires) VALUES (?, ?, ?)"
_LINK = "SELECT login FROM sign_in_link WHERE digest = ? AND expires > ?"
_USE_LINK = "DELETE FROM sign_in_link WHERE digest = ? RETURNING login, expires"
_BEGIN = (
    "INSERT INTO openid_attempt (digest, browser, nonce, verifier, target, expires)"
    " VALUES (?, ?, ?, ?, ?, ?)"
)
_GO_ON = (
    "DELETE FROM openid_attempt WHERE digest = ?"
    " RETURNING browser, nonce, verifier, target, expires"
)


@dataclass(frozen=True, slots=True)
class Session:
    """A browser in which somebody is signed in."""

    person: Person
    seen: int
    expires: int


class OpenIdAttempt(NamedTuple):
    """A sign-in that goes on at the identity provider; `browser` hashes the cookie of it."""

    browser: str
    nonce: str
    verifier: str
    target: str
    expires: int


def start_session(database: Database, digest: str, login: str, now: int, expires: int) -> None:
    """From now on the browser with this token is signed in."""
    with database.writer() as connection:
        take_turn(connection)
        _clear(connection, now)
        connection.run(_START, (digest, login, now, expires))


def standing_session(connection: Connection, digest: str) -> Session | None:
    """Who is signed in with this token, disabled or not, expired or not."""
    row = connection.row(_STANDING, (digest,))
    return Session(person_of(row[:8]), row[8], row[9]) if row else None


def see_session(database: Database, digest: str, now: int) -> None:
    """The browser asked something just now."""
    with database.writer() as connection:
        take_turn(connection)
        connection.run(_SEE, (now, digest, now))


def end_session(database: Database, digest: str) -> str | None:
    """Signed out; whose session it was."""
    with database.writer() as connection:
        take_turn(connection)
        row = connection.row(_END, (digest,))
    return row[0] if row else None


def add_link(database: Database, digest: str, login: str, now: int, expires: int) -> None:
    """A link that signs in once."""
    with database.writer() as connection:
        take_turn(connection)
        _clear(connection, now)
        connection.run(_ADD_LINK, (digest, login, expires))
        put_on_record(connection)


def linked_login(connection: Connection, digest: str, now: int) -> str | None:
    """Whom a link would sign in; it is not used up by asking."""
    row = connection.row(_LINK, (digest, now))
    return row[0] if row else None


def use_link(database: Database, digest: str, now: int) -> str | None:
    """Whom the link signs in; None where it was used or has expired. Now it is used."""
    with database.writer() as connection:
        take_turn(connection)
        row = connection.row(_USE_LINK, (digest,))
    return row[0] if row and row[1] > now else None


def begin_openid(database: Database, digest: str, attempt: OpenIdAttempt, now: int) -> None:
    """A sign-in that goes on at the identity provider."""
    with database.writer() as connection:
        take_turn(connection)
        _clear(connection, now)
        connection.run(_BEGIN, (digest, *attempt))


def resume_openid(database: Database, digest: str, now: int) -> OpenIdAttempt | None:
    """The sign-in of this state, once; None where it was resumed before or has expired."""
    with database.writer() as connection:
        take_turn(connection)
        row = connection.row(_GO_ON, (digest,))
    return OpenIdAttempt(*row) if row and row[4] > now else None


def _clear(connection: Connection, now: int) -> None:
    for table in _TABLES:
        connection.run(
            f"DELETE FROM {table} WHERE digest IN (SELECT digest FROM {table}"
            " WHERE expires < ? ORDER BY expires LIMIT ?)",
            (now, CLEARED),
        )
