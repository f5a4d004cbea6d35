"""May this login, from here, be tried now? Counted for all processes together.

A browser in which the login has signed in before is counted by itself (`people_known.py`). What
anybody else tries is counted by login and network, by login in all, and by address. Nothing locks
for good: who could would lock others out. What that leaves to who guesses without a pause, in a
day (`tests/store/test_people_failures.py` counts it):

- at one login from one network (IPv4 of 24 bits, IPv6 of 48): 105;
- at one login from everywhere: 780;
- at all logins from one address: 120, or 1,460 where somebody signed in from it in half a year:
  there others sign in as well, and find their turn within a minute;
- in a browser of the login: 10 in a row, then it is a stranger.

Against that stand passphrases of 15 characters that are none of the common ones: what NIST SP
800-63B asks is that guesses be limited (it says 100 in a row; the OWASP Authentication Cheat Sheet
warns of locking people out by that; both from memory; the numbers here are ours).

An attempt counts as a failure before it is looked at, so that many at once are no way around the
count; what was right is taken back. Names are kept as hashes: people type passphrases where the
login belongs. None of this asks whether there is such a login.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from service.store.connection import Connection
from service.store.engine import Database
from service.store.people_known import forget_known, forget_one, is_issued, is_known, know
from service.store.unit import take_turn

FIRST_WAIT = 30
"""Seconds; each failure doubles the wait."""
MOST_IN_BROWSER = 10
"""Failures in a row of a login in a browser that it knows; then the browser is a stranger."""
KEPT = 86400
"""Seconds without a failure after which the earlier ones are forgotten."""
CLEARED = 200


@dataclass(frozen=True, slots=True)
class Rule:
    """So many failures are free, then the wait grows up to `longest` seconds."""

    free: int
    longest: int

    def waiting(self, failures: int) -> int:
        """Seconds to wait after so many failures."""
        if failures < self.free:
            return 0
        return int(min(FIRST_WAIT << min(failures - self.free, 16), self.longest))


IN_BROWSER = Rule(5, 900)
FROM_NETWORK = Rule(5, 900)
EVERYWHERE = Rule(50, 120)
AT_ADDRESS = Rule(20, 900)
AT_KNOWN_ADDRESS = Rule(20, 60)

_LOOK = "SELECT failures, until FROM sign_in_failure WHERE digest = ? AND forgotten > ?"
_COUNT = (
    "INSERT INTO sign_in_failure (digest, failures, until, forgotten) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (digest) DO UPDATE SET failures = excluded.failures, until = excluded.until,"
    " forgotten = excluded.forgotten"
)
_FORGET = "DELETE FROM sign_in_failure WHERE digest = ?"
_FORGET_BELOW = "DELETE FROM sign_in_failure WHERE digest > ? AND digest < ?"
_UNCOUNT = "UPDATE sign_in_failure SET failures = failures - 1, until = ? WHERE digest = ?"
_CLEAR = (
    "DELETE FROM sign_in_failure WHERE digest IN (SELECT digest FROM sign_in_failure"
    " WHERE forgotten <= ? ORDER BY forgotten LIMIT ?)"
)


@dataclass(frozen=True, slots=True)
class Tried:
    """Who tries: as which login, where from, and the hash of what the browser shows, or empty."""

    login: str
    address: str
    network: str
    browser: str = ""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt that was counted; `wait` is how many seconds it must still wait, or 0."""

    tried: Tried
    wait: int
    knows_browser: bool


def counted_attempt(database: Database, tried: Tried, now: int) -> Attempt:
    """Count an attempt (`now` in seconds since 1970), unless it has to wait."""
    with database.writer() as connection:
        take_turn(connection)
        connection.run(_CLEAR, (now, CLEARED))
        knows = _knows_browser(connection, tried, now)
        rules = _of_browser(tried) if knows else _of_stranger(connection, tried, now)
        found = [(digest, rule, *_look(connection, digest, now)) for digest, rule in rules]
        wait = max(min(until - now, rule.longest) for _, rule, _, until in found)
        if wait > 0:
            return Attempt(tried, wait, knows)
        for digest, rule, failures, _ in found:
            until = now + rule.waiting(failures + 1)
            connection.run(_COUNT, (digest, failures + 1, until, now + KEPT))
    return Attempt(tried, 0, knows)


def succeeded(database: Database, attempt: Attempt, issued: str, now: int) -> str:
    """It was right: this browser or network starts anew, all others have one failure less.

    The hash of the cookie that the browser is known by from now on: its own where it was given out
    here, else `issued`.
    """
    tried = attempt.tried
    with database.writer() as connection:
        take_turn(connection)
        connection.run(_FORGET, (_browser(tried),))
        if not attempt.knows_browser:
            connection.run(_FORGET, (_network(tried),))
            for digest in (_login(tried.login), _address(tried.address)):
                connection.run(_UNCOUNT, (0, digest))
        shown = tried.browser
        kept = shown if shown and is_issued(connection, shown, now) else issued
        know(connection, kept, _login(tried.login), now)
        know(connection, _address(tried.address), "", now)
    return kept


def forgive(connection: Connection, login: str) -> None:
    """Forget the failures of a login."""
    digest = _login(login)
    connection.run(_FORGET, (digest,))
    connection.run(_FORGET_BELOW, (f"{digest}:", f"{digest};"))


def forget_browsers(connection: Connection, login: str) -> None:
    """All browsers are strangers again to a login."""
    forget_known(connection, _login(login))


def _knows_browser(connection: Connection, tried: Tried, now: int) -> bool:
    login = _login(tried.login)
    if not tried.browser or not is_known(connection, tried.browser, login, now):
        return False
    failures, _ = _look(connection, _browser(tried), now)
    if failures < MOST_IN_BROWSER:
        return True
    forget_one(connection, tried.browser, login)
    return False


def _of_browser(tried: Tried) -> tuple[tuple[str, Rule], ...]:
    return ((_browser(tried), IN_BROWSER),)


def _of_stranger(connection: Connection, tried: Tried, now: int) -> tuple[tuple[str, Rule], ...]:
    address = _address(tried.address)
    known = is_known(connection, address, "", now)
    return (
        (_network(tried), FROM_NETWORK),
        (_login(tried.login), EVERYWHERE),
        (address, AT_KNOWN_ADDRESS if known else AT_ADDRESS),
    )


def _look(connection: Connection, digest: str, now: int) -> tuple[int, int]:
    row = connection.row(_LOOK, (digest, now))
    return (row[0], row[1]) if row else (0, 0)


def _login(login: str) -> str:
    return _hashed(f"login {login}")


def _browser(tried: Tried) -> str:
    return f"{_login(tried.login)}:{tried.browser}"


def _network(tried: Tried) -> str:
    return f"{_login(tried.login)}:{_hashed(tried.network)}"


def _address(address: str) -> str:
    return _hashed(f"address {address}")


def _hashed(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()
