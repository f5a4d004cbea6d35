"""With which keys are access tokens signed? They lie in the database, for all processes.

The newest key signs. One that is retired verifies until the last token that it signed has
expired; then it is cleared away. What the text of a key is, and that it is encrypted, is decided
in `access/signing.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from service.store.audit.commanded import put_on_record
from service.store.connection import Connection
from service.store.engine import Database
from service.store.unit import take_turn

_SEALED = "jwk NOT LIKE '%{%'"
"""An encrypted key (`access/sealing.py`). A plain one, which is a JSON object, never counts."""
_SIGNING = (
    f"SELECT kid, jwk, created FROM signing_key WHERE retired IS NULL AND {_SEALED}"
    " ORDER BY created DESC, kid LIMIT 1"
)
_COUNTS = "(retired IS NULL OR retired >= ?)"
_ONE = f"SELECT kid, jwk, created FROM signing_key WHERE kid = ? AND {_COUNTS} AND {_SEALED}"
_ALL = f"SELECT kid, jwk, created FROM signing_key WHERE {_COUNTS} ORDER BY created DESC, kid"
_EVERY = "SELECT kid, jwk, created FROM signing_key ORDER BY kid"
_ADD = "INSERT INTO signing_key (kid, jwk, created) VALUES (?, ?, ?)"
_RETIRE = "UPDATE signing_key SET retired = ? WHERE retired IS NULL"
_CLEAR = "DELETE FROM signing_key WHERE retired < ?"
_DROP = "DELETE FROM signing_key"
_DROP_PLAIN = f"DELETE FROM signing_key WHERE kid = ? AND NOT ({_SEALED})"
_REWRITE = "UPDATE signing_key SET jwk = ?, retired = coalesce(retired, ?) WHERE kid = ?"


class KeyRow(NamedTuple):
    """A key: its number, the encrypted private JWK, when it was made (seconds since 1970)."""

    kid: str
    jwk: str
    created: int


def signing_key(connection: Connection) -> KeyRow | None:
    """The key that signs now; None where none was made yet."""
    row = connection.row(_SIGNING)
    return KeyRow(*row) if row else None


def verifying_key(connection: Connection, kid: str, since: int) -> KeyRow | None:
    """The key of this number, unless it was retired before `since`."""
    row = connection.row(_ONE, (kid, since))
    return KeyRow(*row) if row else None


def all_keys(connection: Connection, since: int) -> list[KeyRow]:
    """Every key, plain ones too, the newest first; none that was retired before `since`."""
    return [KeyRow(*row) for row in connection.rows(_ALL, (since,))]


def rewrite(
    database: Database, changed: Callable[[KeyRow], str | None], *, retire: int | None = None
) -> None:
    """Keep keys in another form. `changed` gives it, and None for a key that stays as it is.

    With `retire`, those that are changed sign no more from then on.
    """
    with database.writer() as connection:
        take_turn(connection)
        for row in connection.rows(_EVERY):
            key = KeyRow(*row)
            text = changed(key)
            if text is not None:
                connection.run(_REWRITE, (text, retire, key.kid))
        put_on_record(connection)


def drop_plain(database: Database, kids: Iterable[str]) -> None:
    """Clear these keys away, where they are not encrypted."""
    with database.writer() as connection:
        take_turn(connection)
        connection.many(_DROP_PLAIN, [(kid,) for kid in kids])
        put_on_record(connection)


def rotate(
    database: Database,
    make: Callable[[], tuple[str, str]],
    now: int,
    *,
    older_than: int | None = None,
    keep: int,
    drop: bool = False,
) -> KeyRow:
    """The key that signs from now on. `make` gives the number and the text of a new one.

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
        put_on_record(connection)
        return KeyRow(kid, jwk, now)
