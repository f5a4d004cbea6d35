"""How do people sign in who have a passphrase here, or a link from the keeper of the service?

What is told never depends on whether there is such a login, nor does the time it takes: for one
that is not there a hash is verified all the same.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address, ip_network

from service.access.limits import name_at
from service.access.people_passphrases import hashed, is_outdated, is_right
from service.access.people_recording import SignIns
from service.access.sessions import Sessions, digest_of
from service.errors import Forbidden, NotAuthenticated, Throttled
from service.store.engine import Database
from service.store.people import Person, found_person, keep_rehashed
from service.store.people_failures import Attempt, Tried, counted_attempt, succeeded
from service.store.people_sessions import add_link, linked_login, use_link

MOST_LOGIN = 64
LINK_SECONDS = 300
"""How long a link signs in."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A browser that asks: where from, the token of the session it has already, and that of the
    cookie by which it is known as one in which somebody signed in before."""

    address: str
    token: str | None = None
    browser: str | None = None


@dataclass(frozen=True, slots=True)
class Entered:
    """What a browser is given with which somebody has signed in: a session, and what it is known
    by when they sign in again."""

    token: str
    browser: str


@dataclass(frozen=True, slots=True)
class People:
    """Signing in here. `clock` gives seconds since 1970."""

    database: Database
    sessions: Sessions
    record: SignIns
    clock: Callable[[], float] = time.time

    def with_passphrase(self, login: str, passphrase: str, asked: Asked) -> Entered:
        """A new session. Raises NotAuthenticated or Throttled."""
        login = login.strip()[: MOST_LOGIN + 1]
        attempt = counted_attempt(self.database, _tried(login, asked), int(self.clock()))
        if attempt.wait:
            self.record.refused("", asked.address, "Too many failures", 429)
            raise Throttled(
                f"Too many failures: try again in {_told(attempt.wait)}, or ask the keeper of the"
                " service; a browser in which you have signed in before need not wait for others",
                headers={"Retry-After": str(attempt.wait)},
            )
        with self.database.reader() as connection:
            fits = len(login) <= MOST_LOGIN and login.isprintable()
            person = found_person(connection, login) if fits else None
        right = is_right(passphrase, person.passphrase if person else "")
        if not right or person is None or person.disabled is not None:
            self.record.refused(login if person else "", asked.address, "Wrong login or passphrase")
            raise NotAuthenticated("The login or the passphrase is wrong")
        browser = self._known_by(attempt, asked)
        if is_outdated(person.passphrase):
            keep_rehashed(self.database, login, person.passphrase, hashed(passphrase))
        return Entered(self.start(person, asked), browser)

    def linked(self, link: str, asked: Asked) -> str | None:
        """Whom a link would sign in, to be asked first; None where it counts no more."""
        if not is_loopback(asked.address):
            return None
        with self.database.reader() as connection:
            return linked_login(connection, digest_of(link), int(self.clock()))

    def with_link(self, link: str, asked: Asked) -> str:
        """The token of a new session. Raises NotAuthenticated, or Forbidden from elsewhere."""
        if not is_loopback(asked.address):
            raise Forbidden("A sign-in link counts on the machine of the service alone")
        login = use_link(self.database, digest_of(link), int(self.clock()))
        with self.database.reader() as connection:
            person = found_person(connection, login) if login else None
        if person is None or person.disabled is not None:
            self.record.refused(login or "", asked.address, "A sign-in link that counts no more")
            raise NotAuthenticated("The link was used before, or has expired")
        return self.start(person, asked)

    def start(self, person: Person, asked: Asked) -> str:
        """A session for who has proved who they are; the one the browser had ends."""
        token = self.sessions.start(person.login, asked.token)
        self.record.signed_in(person, asked.address, digest_of(token)[:32])
        return token

    def _known_by(self, attempt: Attempt, asked: Asked) -> str:
        """What the browser is known by from now on: what it shows, where that was given out here,
        so that people who share it are all known."""
        issued = secrets.token_urlsafe(32)
        kept = succeeded(self.database, attempt, digest_of(issued), int(self.clock()))
        shown = asked.browser or ""
        return shown if kept == digest_of(shown) else issued

    def sign_out(self, asked: Asked) -> None:
        """End the session of the browser."""
        if asked.token is None:
            return
        found = self.sessions.signed_in(asked.token)
        self.sessions.end(asked.token)
        if found is not None:
            self.record.signed_out(found.person, asked.address, found.caller.token)


def made_link(database: Database, login: str, now: int) -> str:
    """The token of a link that signs this person in once, for `LINK_SECONDS`."""
    token = secrets.token_urlsafe(32)
    add_link(database, digest_of(token), login, now, now + LINK_SECONDS)
    return token


def is_loopback(address: str) -> bool:
    """Whether somebody asks from this machine."""
    try:
        found = ip_address(address)
    except ValueError:
        return False
    mapped = getattr(found, "ipv4_mapped", None)
    return (mapped or found).is_loopback


def network_of(address: str) -> str:
    """What one of many addresses belongs to that somebody may have: IPv4 of 24 bits, IPv6 of 48."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    found = getattr(found, "ipv4_mapped", None) or found
    return str(ip_network((found, 24 if found.version == 4 else 48), strict=False))


def _tried(login: str, asked: Asked) -> Tried:
    browser = digest_of(asked.browser) if asked.browser else ""
    return Tried(login, name_at(asked.address), network_of(asked.address), browser)


def _told(seconds: int) -> str:
    return f"{seconds} seconds" if seconds < 120 else f"{-(-seconds // 60)} minutes"
