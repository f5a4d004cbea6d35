"""What stands in an access token, and is this one of ours? (RFC 7519; claims of RFC 9068)

A signed JWT: who (`client_id`), what (`scope`), whose clients (`tied`), for which service (`aud`),
until when (`exp`), under which number (`jti`). Whether the system may still do it is looked up
elsewhere (`bearer.py`).
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from joserfc import jwt
from joserfc.errors import ExpiredTokenError, JoseError
from joserfc.jws import JWSRegistry, extract_compact

from service.access.narrowing import mark_of
from service.access.refusals import InvalidToken
from service.access.signing import ALGORITHM, SigningKeys
from service.store.systems import SystemClient

KIND = "at+jwt"
"""The `typ` of an access token (RFC 9068), so that no other JWT passes for one."""
MOST_TEXT = 16 * 1024

_REGISTRY = JWSRegistry(algorithms=[ALGORITHM])
_KID = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True)
class AccessToken:
    """What a token says. Times in seconds since 1970.

    `made_from` marks the scopes that the system had when its own were cut from them.
    """

    client_id: str
    scopes: frozenset[str]
    tied: frozenset[str] | None
    jti: str
    kid: str
    made_from: str
    issued: int
    expires: int


class AccessTokens:
    """Signs tokens for the service at `base` (its FHIR base URL), and reads them."""

    def __init__(self, keys: SigningKeys, base: str, seconds: int) -> None:
        self._keys = keys
        self._base = base
        self.seconds = seconds

    def issue(self, client: SystemClient, scopes: Iterable[str], now: int) -> str:
        """A token for a system, as text."""
        key = self._keys.to_sign(now)
        claims: dict[str, Any] = {
            "iss": self._base,
            "aud": self._base,
            "sub": client.id,
            "client_id": client.id,
            "scope": " ".join(sorted(scopes)),
            "made_from": mark_of(client.scopes),
            "jti": secrets.token_urlsafe(24),
            "iat": now,
            "exp": now + self.seconds,
        }
        if client.tied is not None:
            claims["tied"] = sorted(client.tied)
        header = {"alg": ALGORITHM, "typ": KIND, "kid": key.kid}
        return jwt.encode(header, claims, key, registry=_REGISTRY)

    def read(self, text: str, now: int) -> AccessToken:
        """What the token says. Raises InvalidToken where it is not ours or has expired."""
        claims, kid = self._verified(text, now)
        registry = jwt.JWTClaimsRegistry(
            now=now,
            iss={"essential": True, "value": self._base},
            aud={"essential": True, "value": self._base},
            exp={"essential": True},
        )
        try:
            # `iat` is our own word: the clock of the machine that signed may be a little ahead.
            registry.validate({name: claims[name] for name in claims if name != "iat"})
        except ExpiredTokenError:
            raise InvalidToken("The access token has expired", expired=True) from None
        except JoseError:
            raise _not_ours() from None
        try:
            return _token(claims, kid)
        except (KeyError, TypeError, AttributeError):
            raise _not_ours() from None

    def _verified(self, text: str, now: int) -> tuple[dict[str, Any], str]:
        """The claims that one of our keys has signed, and the number of that key."""
        if len(text) > MOST_TEXT:
            raise _not_ours()
        try:
            header = extract_compact(text.encode("ascii"), registry=_REGISTRY).headers()
            kid = header.get("kid")
            ours = header.get("typ") == KIND and header.get("alg") == ALGORITHM
            if not ours or not isinstance(kid, str) or not _KID.fullmatch(kid):
                raise _not_ours()
            key = self._keys.to_verify(kid, now)
            if key is None:
                raise _not_ours()
            return jwt.decode(text, key, registry=_REGISTRY).claims, kid
        except (JoseError, ValueError, TypeError, AttributeError, RecursionError):
            raise _not_ours() from None


def _token(claims: dict[str, Any], kid: str) -> AccessToken:
    tied = claims.get("tied")
    return AccessToken(
        claims["client_id"],
        frozenset(claims["scope"].split()),
        None if tied is None else frozenset(tied),
        claims["jti"],
        kid,
        claims["made_from"],
        claims["iat"],
        claims["exp"],
    )


def _not_ours() -> InvalidToken:
    return InvalidToken("The access token is not valid here")
