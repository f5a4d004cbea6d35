"""With which key is an access token signed, and with which is it verified?

P-256 keys (ES256, RFC 7518) in the database, shared by all processes. A key is replaced when it
has reached its age, by the process that signs next, or by `hyoid keys rotate`.
"""

from __future__ import annotations

import json
from typing import Any

from joserfc.jwk import ECKey

from service.store.engine import Database
from service.store.systems_keys import (
    KeyRow,
    all_keys,
    rotate,
    signing_key,
    verifying_key,
)

ALGORITHM = "ES256"
LONGEST_TOKEN = 3600
"""Seconds that a token lasts at most, whatever the settings were when it was signed."""

_DAY = 86400
_MOST_HELD = 64


class SigningKeys:
    """The keys of the service, as one process sees them."""

    def __init__(self, database: Database, days: int) -> None:
        self._database = database
        self._seconds = max(days, 1) * _DAY
        self._held: dict[str, ECKey] = {}

    def to_sign(self, now: int) -> ECKey:
        """The key that signs now (seconds since 1970); a new one where that is too old."""
        with self._database.reader() as connection:
            row = signing_key(connection)
        if row is None or row.created < now - self._seconds:
            row = rotated(self._database, now, older_than=now - self._seconds)
        return self._key(row)

    def to_verify(self, kid: str) -> ECKey | None:
        """The key of this number, if it still counts or did a moment ago."""
        held = self._held.get(kid)
        if held is not None:
            return held
        with self._database.reader() as connection:
            row = verifying_key(connection, kid)
        return self._key(row) if row else None

    def public(self) -> dict[str, Any]:
        """The JWK Set to publish."""
        with self._database.reader() as connection:
            rows = all_keys(connection)
        keys = [ECKey.import_key(json.loads(row.jwk)).as_dict(private=False) for row in rows]
        return {"keys": keys}

    def _key(self, row: KeyRow) -> ECKey:
        held = self._held.get(row.kid)
        if held is None:
            if len(self._held) >= _MOST_HELD:
                self._held.clear()
            held = self._held[row.kid] = ECKey.import_key(json.loads(row.jwk))
        return held


def rotated(
    database: Database, now: int, *, older_than: int | None = None, drop: bool = False
) -> KeyRow:
    """The key that signs from now on; see `store/systems_keys.py`."""
    return rotate(database, _made, now, older_than=older_than, keep=LONGEST_TOKEN, drop=drop)


def _made() -> tuple[str, str]:
    key = ECKey.generate_key("P-256", {"use": "sig", "alg": ALGORITHM}, auto_kid=True)
    assert key.kid
    return key.kid, json.dumps(key.as_dict(private=True), separators=(",", ":"))
