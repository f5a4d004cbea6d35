"""How does a signing key lie in the database, so that who reads that cannot sign?

As an encrypted JWK (RFC 7517, section 7): a JWE (RFC 7516) with `dir` and `A256GCM` (RFC 7518,
sections 4.5 and 5.3), made by joserfc. The secret is a JWK of kind `oct` in a JWK Set; the first
of the set seals, all of them open.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass

from joserfc import jwe
from joserfc.errors import JoseError
from joserfc.jwk import KeyParameters, KeySet, OctKey

_ALGORITHMS = ["dir", "A256GCM"]
_BITS = 256
_MOST = 10
"""Secrets in one set; more than two are none that anybody needs."""


class SealError(Exception):
    """The text was sealed with none of these secrets."""


@dataclass(frozen=True, slots=True)
class Secrets:
    """The secrets of one file, the one that seals first."""

    keys: tuple[OctKey, ...]

    def sealed(self, text: str) -> str:
        """The text, encrypted."""
        key = self.keys[0]
        header = {"alg": "dir", "enc": "A256GCM", "kid": key.kid, "cty": "jwk+json"}
        return jwe.encrypt_compact(header, text.encode(), key, algorithms=_ALGORITHMS)

    def opened(self, sealed: str) -> str:
        """What `sealed` was given. Raises SealError."""
        # The library finds the secret by its number.
        keys = KeySet(list(self.keys))
        try:
            found = jwe.decrypt_compact(sealed, keys, algorithms=_ALGORITHMS).plaintext
        except (JoseError, ValueError):
            raise SealError from None
        return (found or b"").decode()

    def as_text(self) -> str:
        """As `secrets_in` reads them."""
        keys = [key.as_dict(private=True) for key in self.keys]
        return json.dumps({"keys": keys}, indent=1) + "\n"


def is_sealed(text: str) -> bool:
    """Whether a key of the database is encrypted; a plain JWK is a JSON object."""
    return "{" not in text


def new_secret() -> OctKey:
    """A secret that nobody has."""
    facts: KeyParameters = {"use": "enc", "alg": "dir", "kid": secrets.token_hex(8)}
    return OctKey.generate_key(_BITS, facts)


def secrets_in(text: str) -> Secrets:
    """The secrets of a file. Raises ValueError, without a word of the text."""
    try:
        listed = json.loads(text)["keys"]
        keys = tuple(OctKey.import_key(jwk) for jwk in listed[:_MOST])
        usable = all(len(key.raw_value) * 8 == _BITS and key.kid for key in keys)
    except (JoseError, ValueError, KeyError, TypeError, RecursionError):
        keys, usable = (), False
    if not keys or not usable:
        raise ValueError("this is no file with a secret of this service")
    return Secrets(keys)
