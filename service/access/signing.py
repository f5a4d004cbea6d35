"""With which key is an access token signed, and with which is it verified?

P-256 keys (ES256, RFC 7518) in the database, shared by all processes and encrypted with a secret
that lies elsewhere (`sealing.py`, `key_file.py`). A key is replaced when it has reached its age,
by the process that signs next, or by `hyoid keys rotate`.
"""

from __future__ import annotations

import json
import logging
import time
from typing import Any

from joserfc.errors import JoseError
from joserfc.jwk import ECKey

from service.access.key_file import KeyFile, made_key_file, place_of
from service.access.sealing import SealError, is_sealed
from service.errors import Unavailable
from service.settings import Settings
from service.store.engine import Database
from service.store.systems_keys import (
    KeyRow,
    all_keys,
    drop_plain,
    rewrite,
    rotate,
    signing_key,
    verifying_key,
)

log = logging.getLogger("hyoid")

ALGORITHM = "ES256"
LONGEST_TOKEN = 3600
"""Seconds that a token lasts at most, whatever the settings were when it was signed."""

_DAY = 86400
_MOST_HELD = 64


class SigningKeys:
    """The keys of the service, as one process sees them."""

    def __init__(self, database: Database, secrets: KeyFile, days: int) -> None:
        self._database = database
        self._secrets = secrets
        self._seconds = max(days, 1) * _DAY
        self._held: dict[str, ECKey] = {}

    def to_sign(self, now: int) -> ECKey:
        """The key that signs now (seconds since 1970); a new one where that is too old.

        Raises Unavailable where it was encrypted with a secret that this process has not.
        """
        with self._database.reader() as connection:
            row = signing_key(connection)
        try:
            if row is None or row.created < now - self._seconds:
                row = rotated(self._database, self._secrets, now, older_than=now - self._seconds)
        except SealError as error:
            log.error("No key can be made to sign tokens with: %s", error)
            raise _cannot_sign() from None
        key = self._key(row)
        if key is None:
            raise _cannot_sign()
        return key

    def to_verify(self, kid: str, now: int) -> ECKey | None:
        """The key of this number, if it still counts or did a moment ago."""
        held = self._held.get(kid)
        if held is not None:
            return held
        with self._database.reader() as connection:
            row = verifying_key(connection, kid, now - LONGEST_TOKEN)
        return self._key(row) if row else None

    def public(self, now: int) -> dict[str, Any]:
        """The JWK Set to publish."""
        with self._database.reader() as connection:
            rows = all_keys(connection, now - LONGEST_TOKEN)
        keys = [self._key(row) for row in rows if is_sealed(row.jwk)]
        return {"keys": [key.as_dict(private=False) for key in keys if key]}

    def _key(self, row: KeyRow) -> ECKey | None:
        held = self._held.get(row.kid)
        if held is None:
            held = _opened(row, self._secrets)
            if held is None:
                log.error(
                    "The signing key %s was encrypted with another secret than that of %s",
                    row.kid,
                    self._secrets.path,
                )
                return None
            if len(self._held) >= _MOST_HELD:
                self._held.clear()
            self._held[row.kid] = held
        return held


def opened_secrets(database: Database, settings: Settings, *, anew: bool = False) -> KeyFile:
    """The secret of this store, from its file.

    The file is made where there is none and nothing was encrypted yet; with `anew`, where the keys
    that were are to be dropped. Keys of a store that an earlier version left unencrypted are
    encrypted, and sign no more: copies of the database may hold them. One that lies unencrypted
    beside encrypted ones was put there by somebody else: it is cleared away. Raises ValueError
    where the file cannot be used, or is another than that of the store.
    """
    path, now = place_of(settings), int(time.time())
    with database.reader() as connection:
        rows = all_keys(connection, now - LONGEST_TOKEN)
    if not path.exists():
        if any(is_sealed(row.jwk) for row in rows) and not anew:
            raise ValueError(_other_secret(f"there is no file {path}"))
        made_key_file(path)
    secrets = KeyFile(path)
    if anew:
        return secrets
    if any(_opened(row, secrets) is None for row in rows if is_sealed(row.jwk)):
        raise ValueError(_other_secret(f"{path} has another secret"))
    plain = [row.kid for row in rows if not is_sealed(row.jwk)]
    if plain and len(plain) < len(rows):
        log.warning("Signing keys that this service did not make were removed: %s", len(plain))
        drop_plain(database, plain)
    elif plain:
        rewrite(database, lambda row: _sealed(row, secrets), retire=now)
    return secrets


def rotated(
    database: Database,
    secrets: KeyFile,
    now: int,
    *,
    older_than: int | None = None,
    drop: bool = False,
) -> KeyRow:
    """The key that signs from now on; see `store/systems_keys.py`."""

    def made() -> tuple[str, str]:
        key = ECKey.generate_key("P-256", {"use": "sig", "alg": ALGORITHM}, auto_kid=True)
        assert key.kid
        jwk = json.dumps(key.as_dict(private=True), separators=(",", ":"))
        return key.kid, secrets.sealed(jwk)

    return rotate(database, made, now, older_than=older_than, keep=LONGEST_TOKEN, drop=drop)


def resealed(database: Database, secrets: KeyFile) -> None:
    """Encrypt every key with a new secret. A failure at any point leaves all keys readable.

    Raises SealError where the file cannot be written.
    """
    secrets.add()
    rewrite(database, lambda row: _resealed(row, secrets))
    secrets.drop_old()


def _resealed(row: KeyRow, secrets: KeyFile) -> str | None:
    try:
        return secrets.sealed(secrets.opened(row.jwk))
    except SealError:
        return None  # Of a secret that was lost; it was seen before that no such key counts.


def _sealed(row: KeyRow, secrets: KeyFile) -> str | None:
    return None if is_sealed(row.jwk) else secrets.sealed(row.jwk)


def _opened(row: KeyRow, secrets: KeyFile) -> ECKey | None:
    """The key of a row, where it is sealed with our secret and is the one that it says to be."""
    try:
        key = ECKey.import_key(json.loads(secrets.opened(row.jwk)))
    except (SealError, JoseError, ValueError):
        return None
    return key if key.kid == row.kid else None


def _other_secret(what: str) -> str:
    return (
        f"The signing keys of the store were encrypted with a secret that is not here: {what}. Put"
        " the file of this store there (each machine that serves needs it), or let all tokens end"
        " and sign with new keys: hyoid keys rotate --drop-old"
    )


def _cannot_sign() -> Unavailable:
    return Unavailable("The service cannot sign tokens now; its log says why")
