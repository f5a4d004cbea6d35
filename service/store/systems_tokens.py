"""Was this assertion used before, and does this access token still count?

Both are remembered for all processes in front of the database, and no longer than the assertion
or token itself would be taken. Whoever writes here clears away a few rows that have expired.
"""

from __future__ import annotations

from service.store.connection import Connection
from service.store.engine import Database
from service.store.unit import take_turn

CLEARED = 200
"""Most expired rows that one writer clears away."""

_USE = (
    "INSERT INTO used_assertion (issuer, jti, expires) VALUES (?, ?, ?)"
    " ON CONFLICT (issuer, jti) DO NOTHING RETURNING jti"
)
_REVOKE = "INSERT INTO revoked_token (jti, expires) VALUES (?, ?) ON CONFLICT (jti) DO NOTHING"
_CLEAR_USED = (
    "DELETE FROM used_assertion WHERE (issuer, jti) IN (SELECT issuer, jti FROM used_assertion"
    " WHERE expires < ? ORDER BY expires LIMIT ?)"
)
_CLEAR_REVOKED = (
    "DELETE FROM revoked_token WHERE jti IN (SELECT jti FROM revoked_token"
    " WHERE expires < ? ORDER BY expires LIMIT ?)"
)


def use_assertion(database: Database, issuer: str, jti: str, expires: int, now: int) -> bool:
    """Whether it was not used before; from now on it is. Times in seconds since 1970."""
    with database.writer() as connection:
        take_turn(connection)
        _clear(connection, now)
        return connection.row(_USE, (issuer, jti, expires)) is not None


def revoke_token(database: Database, jti: str, expires: int, now: int) -> None:
    """Let a token count no more. Times in seconds since 1970."""
    with database.writer() as connection:
        take_turn(connection)
        _clear(connection, now)
        connection.run(_REVOKE, (jti, expires))


def _clear(connection: Connection, now: int) -> None:
    connection.run(_CLEAR_USED, (now, CLEARED))
    connection.run(_CLEAR_REVOKED, (now, CLEARED))
