"""Where has a sign-in succeeded before? In a browser, by its cookie; at an address.

OWASP, "Slow Down Online Guessing Attacks with Device Cookies" (from memory): a browser in which a
login has signed in is counted by itself, so that what strangers guess does not shut it out. The
cookie is random and kept as a hash, as is the login; it signs nobody in.
"""

from __future__ import annotations

from service.store.connection import Connection

KNOWN = 180 * 86400
"""Seconds for which a success is remembered; the next one renews it."""
MOST_BROWSERS = 50
"""Browsers of a login that are remembered, those that succeeded last."""
CLEARED = 200

_LOOK = "SELECT 1 FROM sign_in_known WHERE digest = ? AND login = ? AND expires > ?"
_LOOK_ANY = "SELECT 1 FROM sign_in_known WHERE digest = ? AND expires > ? LIMIT 1"
_KEEP = (
    "INSERT INTO sign_in_known (digest, login, expires) VALUES (?, ?, ?)"
    " ON CONFLICT (digest, login) DO UPDATE SET expires = excluded.expires"
)
_FORGET_OLDEST = (
    "DELETE FROM sign_in_known WHERE login = ? AND digest IN (SELECT digest FROM sign_in_known"
    " WHERE login = ? ORDER BY expires DESC, digest LIMIT ? OFFSET ?)"
)
_FORGET_ONE = "DELETE FROM sign_in_known WHERE digest = ? AND login = ?"
_FORGET = "DELETE FROM sign_in_known WHERE login = ?"
_CLEAR = (
    "DELETE FROM sign_in_known WHERE (digest, login) IN (SELECT digest, login FROM sign_in_known"
    " WHERE expires <= ? ORDER BY expires LIMIT ?)"
)


def is_known(connection: Connection, digest: str, login: str, now: int) -> bool:
    """Whether this login (by its hash; empty for an address) has succeeded there.

    `now` in seconds since 1970.
    """
    return connection.row(_LOOK, (digest, login, now)) is not None


def is_issued(connection: Connection, digest: str, now: int) -> bool:
    """Whether a cookie with this hash was given out: people may share a browser."""
    return connection.row(_LOOK_ANY, (digest, now)) is not None


def know(connection: Connection, digest: str, login: str, now: int) -> None:
    """A login has succeeded there."""
    connection.run(_CLEAR, (now, CLEARED))
    connection.run(_KEEP, (digest, login, now + KNOWN))
    if login:
        connection.run(_FORGET_OLDEST, (login, login, CLEARED, MOST_BROWSERS))


def forget_one(connection: Connection, digest: str, login: str) -> None:
    """A browser is a stranger again to this login."""
    connection.run(_FORGET_ONE, (digest, login))


def forget_known(connection: Connection, login: str) -> None:
    """All browsers are strangers again to this login."""
    connection.run(_FORGET, (login,))
