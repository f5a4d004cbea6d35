"""Which systems may ask for access tokens, with which keys, and for what?

One row a system. What it may do is looked at again for every token that is used, so that a
change or a disabling counts at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.errors import Conflict, NotFound
from service.store.audit.commanded import put_on_record
from service.store.connection import Connection, Row
from service.store.engine import Database
from service.store.unit import take_turn

_COLUMNS = "id, scopes, tied, reference, jwks, jwks_url, created, disabled"
_ONE = f"SELECT {_COLUMNS} FROM system_client WHERE id = ?"
_ALL = f"SELECT {_COLUMNS} FROM system_client ORDER BY id"
_ADD = (
    f"INSERT INTO system_client ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (id) DO NOTHING RETURNING id"
)
_CHANGE = (
    "UPDATE system_client SET scopes = ?, tied = ?, reference = ?, jwks = ?, jwks_url = ?,"
    " disabled = ? WHERE id = ? RETURNING id"
)
_STANDING = (
    f"SELECT {_COLUMNS}, (SELECT 1 FROM signing_key WHERE kid = ?"
    " AND (retired IS NULL OR retired >= ?)),"
    " (SELECT 1 FROM revoked_token WHERE jti = ?) FROM system_client WHERE id = ?"
)


@dataclass(frozen=True, slots=True)
class SystemClient:
    """A registered system. Times are microseconds since 1970; `disabled` is None while it may.

    Either `jwks` holds its public keys as a JWK Set (RFC 7517), or `jwks_url` is where they are.
    `tied` is None where no organisation or team narrows what it sees.
    """

    id: str
    scopes: frozenset[str]
    tied: frozenset[str] | None = None
    reference: str = ""
    jwks: str = ""
    jwks_url: str = ""
    created: int = 0
    disabled: int | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """What the database says now about an access token and the system that holds it."""

    client: SystemClient
    signed_by_ours: bool
    revoked: bool


def found_client(connection: Connection, client_id: str) -> SystemClient | None:
    """The system of this id, disabled or not."""
    row = connection.row(_ONE, (client_id,))
    return _client(row) if row else None


def all_clients(connection: Connection) -> list[SystemClient]:
    """Every system, by id."""
    return [_client(row) for row in connection.rows(_ALL)]


def standing_of(
    connection: Connection, client_id: str, kid: str, jti: str, since: int
) -> Standing | None:
    """All that a token still depends on, in one look; None where the system is not known.

    A key that was retired before `since` (seconds since 1970) counts no more.
    """
    row = connection.row(_STANDING, (kid, since, jti, client_id))
    if row is None:
        return None
    return Standing(_client(row[:8]), row[8] is not None, row[9] is not None)


def required_client(database: Database, client_id: str) -> SystemClient:
    """The system of this id. Raises NotFound."""
    with database.reader() as connection:
        client = found_client(connection, client_id)
    if client is None:
        raise NotFound(f"There is no system named {client_id!r}")
    return client


def add_client(database: Database, client: SystemClient) -> None:
    """Register a system. Raises Conflict where its name is taken."""
    with database.writer() as connection:
        take_turn(connection)
        if connection.row(_ADD, _row(client)) is None:
            raise Conflict(f"There is a system named {client.id!r} already")
        put_on_record(connection)


def change_client(database: Database, client: SystemClient) -> None:
    """Store what a system is from now on. Raises NotFound where there is none of that name."""
    row = _row(client)
    with database.writer() as connection:
        take_turn(connection)
        if connection.row(_CHANGE, (*row[1:6], row[7], row[0])) is None:
            raise NotFound(f"There is no system named {client.id!r}")
        put_on_record(connection)


def disable_client(database: Database, client_id: str, now: int | None) -> SystemClient:
    """Let a system in no more (`now` in microseconds), or again (None). Raises NotFound."""
    changed = replace(required_client(database, client_id), disabled=now)
    change_client(database, changed)
    return changed


def _row(client: SystemClient) -> Row:
    return (
        client.id,
        " ".join(sorted(client.scopes)),
        " ".join(sorted(client.tied or ())),
        client.reference,
        client.jwks,
        client.jwks_url,
        client.created,
        client.disabled,
    )


def _client(row: Row) -> SystemClient:
    name, scopes, tied, reference, jwks, jwks_url, created, disabled = row
    return SystemClient(
        name,
        frozenset(scopes.split()),
        frozenset(tied.split()) or None,
        reference,
        jwks,
        jwks_url,
        created,
        disabled,
    )
