"""Which public keys of a system can we use, and which one signed?

JWK Sets (RFC 7517) with RSA keys for RS384 and P-384 keys for ES384 (RFC 7518, sections 3.3 and
3.4), as SMART App Launch 2, "Client Authentication: Asymmetric", wants them.
"""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any, TypeVar

from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, RSAKey

K = TypeVar("K", RSAKey, ECKey)

ALGORITHMS = ("RS384", "ES384")
MOST_BYTES = 64 * 1024
MOST_KEYS = 50

_KINDS = {"RS384": "RSA", "ES384": "EC"}
_RSA_BITS = (2048, 8192)
_SHORTEST_MODULUS = 342
"""Characters of base64url of 2048 bits."""
_PRIVATE = ("d", "p", "q", "dp", "dq", "qi", "oth", "k")


def required_key_set(text: str | bytes) -> str:
    """The JWK Set to register, in one form. Raises ValueError where a key of it is unfit."""
    listed = _listed(text)
    for number, jwk in enumerate(listed):
        try:
            _usable(jwk)
        except ValueError as error:
            raise ValueError(f"keys[{number}]: {error}") from None
    names = [jwk["kid"] for jwk in listed]
    if len(set(names)) < len(names):
        raise ValueError("two keys have the same kid")
    return json.dumps({"keys": listed}, separators=(",", ":"))


@lru_cache(maxsize=256)
def usable_keys(text: str | bytes) -> tuple[Key, ...]:
    """The keys of a set that we can use; others may serve other ends.

    Raises ValueError where it is no JWK Set.
    """
    found: list[Key] = []
    for jwk in _listed(text):
        try:
            found.append(_usable(jwk))
        except ValueError:
            continue
    return tuple(found)


def key_of(keys: tuple[Key, ...], kid: str, algorithm: str) -> Key | None:
    """The key of this number for this algorithm, where there is exactly one."""
    found = [key for key in keys if key.kid == kid and key.key_type == _KINDS[algorithm]]
    fits = [key for key in found if key.alg in (None, algorithm)]
    return fits[0] if len(found) == 1 and fits else None


def _listed(text: str | bytes) -> list[dict[str, Any]]:
    if len(text) > MOST_BYTES:
        raise ValueError(f"larger than {MOST_BYTES} bytes")
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("not JSON") from None
    keys = found.get("keys") if isinstance(found, dict) else None
    if not isinstance(keys, list) or not all(isinstance(key, dict) for key in keys):
        raise ValueError('not a JWK Set: {"keys": [ … ]}')
    if not 1 <= len(keys) <= MOST_KEYS:
        raise ValueError(f"between 1 and {MOST_KEYS} keys are taken")
    return keys


def _usable(jwk: dict[str, Any]) -> Key:
    """The key itself. Raises ValueError that says what is wrong with it."""
    if not isinstance(jwk.get("kid"), str) or not 1 <= len(jwk["kid"]) <= 255:
        raise ValueError("a kid is needed")
    if any(name in jwk for name in _PRIVATE):
        raise ValueError("this is a private key: give the public one, and make a new pair")
    if jwk.get("use", "sig") != "sig" or "verify" not in jwk.get("key_ops", ["verify"]):
        raise ValueError("not a key for signatures")
    if jwk.get("alg", "ES384") not in ALGORITHMS:
        raise ValueError("alg must be RS384 or ES384")
    if jwk.get("kty") == "RSA":
        return _rsa(jwk)
    if jwk.get("kty") == "EC" and jwk.get("crv") == "P-384":
        return _imported(ECKey, jwk)
    raise ValueError("an RSA key or a P-384 key is needed")


def _rsa(jwk: dict[str, Any]) -> RSAKey:
    low, high = _RSA_BITS
    if len(str(jwk.get("n", ""))) < _SHORTEST_MODULUS:
        raise ValueError(f"an RSA key needs {low} bits")
    key = _imported(RSAKey, jwk)
    if not low <= key.public_key.key_size <= high:
        raise ValueError(f"an RSA key needs {low} to {high} bits")
    return key


def _imported(kind: type[K], jwk: dict[str, Any]) -> K:
    try:
        key = kind.import_key(jwk)
        # The numbers are looked at only now.
        assert key.public_key
    except (JoseError, ValueError, KeyError, TypeError, OverflowError):
        raise ValueError("the key cannot be read") from None
    return key
