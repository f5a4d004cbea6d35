"""May this login, from this address, be tried now? Counted for all processes together.

An attempt counts as a failure before it is looked at, so that many at once are no way around the
count; what was right is taken back. Names are kept as hashes: people type passphrases where the
login belongs.

NIST SP 800-63B, section "Rate Limiting (Throttling)": at most 100 failures in a row (read from
memory); the growing waits before that are common practice, no source.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from service.store.connection import Connection
from service.store.engine import Database
from service.store.unit import take_turn

MOST = 100
"""Failures in a row of a login; after that nothing but the keeper lets it in."""
FREE_LOGIN, FREE_ADDRESS = 5, 20
"""Failures before the first wait. Many people may share an address."""
FIRST_WAIT, LONGEST_WAIT = 30, 900
"""Seconds; each failure doubles the wait."""
KEPT = 86400
"""Seconds without a failure after which the earlier ones are forgotten."""
NEVER = 1 << 40
CLEARED = 200

_LOOK = "SELECT failures, until FROM sign_in_failure WHERE digest = ? AND forgotten > ?"
_COUNT = (
    "INSERT INTO sign_in_failure (digest, failures, until, forgotten) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (digest) DO UPDATE SET failures = excluded.failures, until = excluded.until,"
    " forgotten = excluded.forgotten"
)
_FORGET = "DELETE FROM sign_in_failure WHERE digest = ?"
_UNCOUNT = "UPDATE sign_in_failure SET failures = failures - 1, until = ? WHERE digest = ?"
_CLEAR = (
    "DELETE FROM sign_in_failure WHERE digest IN (SELECT digest FROM sign_in_failure"
    " WHERE forgotten <= ? ORDER BY forgotten LIMIT ?)"
)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt that was counted; `wait` is how many seconds it must still wait, or 0."""

    login: str
    address: str
    wait: int


def counted_attempt(database: Database, login: str, address: str, now: int) -> Attempt:
    """Count an attempt (`now` in seconds since 1970), unless it has to wait."""
    with database.writer() as connection:
        take_turn(connection)
        connection.run(_CLEAR, (now, CLEARED))
        names = ((_login(login), FREE_LOGIN), (_address(address), FREE_ADDRESS))
        found = [(digest, free, *_look(connection, digest, now)) for digest, free in names]
        wait = max(until - now for _, _, _, until in found)
        if wait > 0:
            return Attempt(login, address, wait)
        for digest, free, failures, _ in found:
            _count(connection, digest, failures + 1, free, now)
    return Attempt(login, address, 0)


def succeeded(database: Database, attempt: Attempt) -> None:
    """It was right: the login starts anew, the address has one failure less."""
    with database.writer() as connection:
        take_turn(connection)
        forgive(connection, attempt.login)
        connection.run(_UNCOUNT, (0, _address(attempt.address)))


def forgive(connection: Connection, login: str) -> None:
    """Forget the failures of a login."""
    connection.run(_FORGET, (_login(login),))


def _look(connection: Connection, digest: str, now: int) -> tuple[int, int]:
    row = connection.row(_LOOK, (digest, now))
    return (row[0], row[1]) if row else (0, 0)


def _count(connection: Connection, digest: str, failures: int, free: int, now: int) -> None:
    until, forgotten = now + waiting(failures, free), now + KEPT
    if free == FREE_LOGIN and failures >= MOST:
        until = forgotten = NEVER
    connection.run(_COUNT, (digest, failures, until, forgotten))


def waiting(failures: int, free: int) -> int:
    """Seconds to wait after so many failures, of which some are free."""
    if failures < free:
        return 0
    return int(min(FIRST_WAIT << min(failures - free, 16), LONGEST_WAIT))


def _login(login: str) -> str:
    return hashlib.sha256(f"login {login}".encode()).hexdigest()


def _address(address: str) -> str:
    return hashlib.sha256(f"address {address}".encode()).hexdigest()
