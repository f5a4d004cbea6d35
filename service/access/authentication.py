"""Which system is it that asks for a token? (`private_key_jwt`, SMART App Launch 2)

Whether a system of this name exists is not told: for one that does not, a signature is verified
with a key of ours that fits nobody, and the refusal is the same. What is told in other words is
either decided before any system is looked up, or after its signature was found right.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cache

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, RSAKey

from service.access.assertions import LEEWAY, Assertion, AssertionRegistry, read_assertion
from service.access.key_sets import KeySets
from service.access.refusals import InvalidClient
from service.store.engine import Database
from service.store.systems import SystemClient, found_client
from service.store.systems_tokens import use_assertion

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


class Authentication:
    """Authenticates systems by their assertions."""

    def __init__(self, database: Database, key_sets: KeySets) -> None:
        self._database = database
        self._key_sets = key_sets

    def client(self, text: str, audiences: Collection[str], now: int) -> SystemClient:
        """The system that signed this, now (seconds since 1970). Raises InvalidClient."""
        assertion = read_assertion(text, audiences, now)
        with self._database.reader() as connection:
            client = found_client(connection, assertion.client_id)
        key = self._key(client, assertion)
        is_signed = _is_signed(assertion, key or _nobodys_key(assertion.algorithm))
        if client is None or key is None or not is_signed:
            raise InvalidClient
        expires = assertion.expires + LEEWAY
        if not use_assertion(self._database, client.id, assertion.jti, expires, now):
            raise InvalidClient("The assertion was used before: each needs a jti of its own")
        return client

    def _key(self, client: SystemClient | None, assertion: Assertion) -> Key | None:
        if client is None or client.disabled is not None:
            return None
        if assertion.key_set_url is not None and assertion.key_set_url != client.jwks_url:
            return None
        return self._key_sets.key(client, assertion.kid, assertion.algorithm)


def _is_signed(assertion: Assertion, key: Key) -> bool:
    try:
        jwt.decode(assertion.text, key, registry=AssertionRegistry([assertion.algorithm]))
    except (JoseError, ValueError, TypeError):
        return False
    return True


@cache
def _nobodys_key(algorithm: str) -> Key:
    if algorithm == "ES384":
        return ECKey.generate_key("P-384", private=False)
    return RSAKey.generate_key(2048, private=False)
