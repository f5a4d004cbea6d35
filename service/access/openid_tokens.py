"""Is this token of the identity provider genuine, and meant for us?

ID tokens: OpenID Connect Core 1.0, sections 3.1.3.7 and 3.1.3.8. Access tokens as JWT: RFC 9068,
section 4. The algorithm is one that the provider itself names, never `none` and never one with a
shared secret (RFC 8725, sections 3.1 and 3.2).
"""

from __future__ import annotations

import hashlib
import hmac
import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from typing import Any

from joserfc import jwt
from joserfc.errors import ExpiredTokenError, JoseError
from joserfc.jws import JWSRegistry, extract_compact

from service.access.openid_provider import Provider
from service.access.refusals import InvalidToken

LEEWAY = 60
"""Seconds that the clocks may differ."""
MOST_TEXT = 16 * 1024
_MOST_SUBJECT = 255
LONGEST_LIFE = 86_400
"""Seconds that an access token counts at most, whatever it says."""
_MOST_AGE = 600
"""Seconds since an ID token was issued; it comes straight from the provider."""


def id_token_claims(
    provider: Provider, text: str, client_id: str, nonce: str, now: int, access_token: object = None
) -> dict[str, Any]:
    """What an ID token says of who signed in. Raises InvalidToken, ProviderError.

    `access_token` is what came with it; where the ID token names one, it must be that.
    """
    header, claims = _verified(provider, text)
    if header.get("typ", "JWT") not in ("JWT", "jwt"):
        raise _unfit("typ")
    _require(claims, provider.issuer, client_id, now)
    audience = claims["aud"]
    if isinstance(audience, list) and len(audience) > 1 and "azp" not in claims:
        raise _unfit("azp")
    if claims.get("azp", client_id) != client_id:
        raise _unfit("azp")
    if not _is_same(claims.get("nonce"), nonce):
        raise _unfit("nonce")
    if claims["iat"] < now - _MOST_AGE:
        raise _unfit("iat")
    if isinstance(access_token, str):
        wanted = token_hash(access_token, header["alg"])
        if not _is_same(claims.get("at_hash", wanted), wanted):
            raise _unfit("at_hash")
    return claims


def token_hash(access_token: str, algorithm: str) -> str:
    """`at_hash`: the left half of the hash that the algorithm of the ID token has in its name."""
    digest = hashlib.new(
        f"sha{algorithm[-3:]}", access_token.encode("utf-8", "surrogatepass")
    ).digest()
    return urlsafe_b64encode(digest[: len(digest) // 2]).rstrip(b"=").decode()


def access_token_claims(provider: Provider, text: str, audience: str, now: int) -> dict[str, Any]:
    """What an access token says of who holds it. Raises InvalidToken, ProviderError."""
    header, claims = _verified(provider, text)
    if str(header.get("typ", "")).lower() not in ("at+jwt", "application/at+jwt", "jwt", ""):
        raise _unfit("typ")
    if "nonce" in claims or "at_hash" in claims:
        raise _unfit("nonce")  # An ID token, for whatever it was made out.
    _require(claims, provider.issuer, audience, now)
    if not now < claims["iat"] + LONGEST_LIFE:
        raise InvalidToken("The token was issued more than a day ago", expired=True)
    return claims


def issuer_in(text: str) -> str:
    """Who says to have issued a JWT; nothing is verified. Empty where that cannot be read."""
    if len(text) > MOST_TEXT or text.count(".") != 2:
        return ""
    part = text.split(".")[1]
    try:
        claims = json.loads(urlsafe_b64decode(part + "=" * (-len(part) % 4)))
    except (ValueError, RecursionError):
        return ""
    issuer = claims.get("iss") if isinstance(claims, dict) else None
    return issuer if isinstance(issuer, str) else ""


def _is_same(told: object, wanted: str) -> bool:
    return isinstance(told, str) and told.isascii() and hmac.compare_digest(told, wanted)


def _verified(provider: Provider, text: str) -> tuple[dict[str, Any], dict[str, Any]]:
    if len(text) > MOST_TEXT:
        raise _unfit("length")
    algorithms = provider.doors().algorithms
    registry = JWSRegistry(algorithms=list(algorithms))
    try:
        header = extract_compact(text.encode("ascii"), registry=registry).headers()
        algorithm, kid = header.get("alg"), header.get("kid")
        if algorithm not in algorithms or not (kid is None or isinstance(kid, str)):
            raise _unfit("alg")
        key = provider.key(kid, algorithm)
        if key is None:
            raise _unfit("kid")
        return header, jwt.decode(text, key, registry=registry).claims
    except (JoseError, ValueError, TypeError, AttributeError, RecursionError):
        raise _unfit("signature") from None


def _require(claims: dict[str, Any], issuer: str, audience: str, now: int) -> None:
    subject = claims.get("sub")
    if not isinstance(subject, str) or not 1 <= len(subject) <= _MOST_SUBJECT:
        raise _unfit("sub")
    if not subject.isprintable():
        raise _unfit("sub")
    registry = jwt.JWTClaimsRegistry(
        now=now,
        leeway=LEEWAY,
        iss={"essential": True, "value": issuer},
        aud={"essential": True, "value": audience},
        exp={"essential": True},
        iat={"essential": True},
    )
    try:
        registry.validate(claims)
    except ExpiredTokenError:
        raise InvalidToken("The token has expired", expired=True) from None
    except JoseError as error:
        raise _unfit(str(getattr(error, "claim", "") or error.error)) from None
    except (TypeError, ValueError, AttributeError):
        raise _unfit("claims") from None


def _unfit(what: str) -> InvalidToken:
    return InvalidToken(f"The token of the identity provider is not valid here: {what}")
