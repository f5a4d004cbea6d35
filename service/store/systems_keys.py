"""With which keys are access tokens signed? They lie in the database, for all processes.

The newest key signs. One that is retired verifies until the last token that it signed has
expired; then it is cleared away.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from service.store.connection import Connection
from service.store.engine import Database
from service.store.unit import take_turn

_SIGNING = (
    "SELECT kid, jwk, created FROM signing_key WHERE retired IS NULL"
    " ORDER BY created DESC, kid LIMIT 1"
)
_ONE = "SELECT kid, jwk, created FROM signing_key WHERE kid = ?"
_ALL = "SELECT kid, jwk, created FROM signing_key ORDER BY created DESC, kid"
_ADD = "INSERT INTO signing_key (kid, jwk, created) VALUES (?, ?, ?)"
_RETIRE = "UPDATE signing_key SET retired = ? WHERE retired IS NULL"
_CLEAR = "DELETE FROM signing_key WHERE retired < ?"
_DROP = "DELETE FROM signing_key"


class KeyRow(NamedTuple):
    """A key: its number, the private JWK as JSON, when it was made (seconds since 1970)."""

    kid: str
    jwk: str
    created: int


def signing_key(connection: Connection) -> KeyRow | None:
    """The key that signs now; None where none was made yet."""
    row = connection.row(_SIGNING)
    return KeyRow(*row) if row else None


def verifying_key(connection: Connection, kid: str) -> KeyRow | None:
    """The key of this number, retired or not."""
    row = connection.row(_ONE, (kid,))
    return KeyRow(*row) if row else None


def all_keys(connection: Connection) -> list[KeyRow]:
    """Every key that may verify, the newest first."""
    return [KeyRow(*row) for row in connection.rows(_ALL)]


def rotate(
    database: Database,
    make: Callable[[], tuple[str, str]],
    now: int,
    *,
    older_than: int | None = None,
    keep: int,
    drop: bool = False,
) -> KeyRow:
    """The key that signs from now on. `make` gives the number and the private JWK of a new one.

    With `older_than` only where the present key was made before that; who comes second finds it
    done. Keys retired more than `keep` seconds ago are cleared away; with `drop` all others, so
    that no token counts that they signed.
    """
    with database.writer() as connection:
        take_turn(connection)
        present = signing_key(connection)
        if present and older_than is not None and present.created >= older_than:
            return present
        kid, jwk = make()
        if drop:
            connection.run(_DROP)
        connection.run(_CLEAR, (now - keep,))
        connection.run(_RETIRE, (now,))
        connection.run(_ADD, (kid, jwk, now))
        return KeyRow(kid, jwk, now)
