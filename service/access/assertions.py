"""Does this client assertion say what it must? Everything but who signed it.

SMART App Launch 2, "Client Authentication: Asymmetric", "Authenticating to the Token Endpoint";
RFC 7523, section 3. Pure: the same answer for a system that exists and for one that does not.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from joserfc.errors import ClaimError, ExpiredTokenError, JoseError, MissingClaimError
from joserfc.jws import JWSRegistry, extract_compact
from joserfc.jwt import ClaimsOption, JWTClaimsRegistry

from service.access.client_keys import ALGORITHMS
from service.access.refusals import InvalidClient

LONGEST = 300
"""Seconds ahead that an assertion may expire."""
LEEWAY = 30
"""Seconds by which the clocks of two machines may differ."""
MOST_TEXT = 16 * 1024

_NAME = 255
"""Most characters of a jti, a kid, a client id."""
_NEEDED = ("iss", "sub", "exp", "jti")
_UNFIT = re.compile("[\x00\ud800-\udfff]")
"""No database takes them; the second are halves of characters, as JSON may have them."""


class AssertionRegistry(JWSRegistry):
    """The algorithms that are taken. A header parameter that is not known is left alone."""

    max_header_length = 4096
    max_signature_length = 2048

    def __init__(self, algorithms: Collection[str] = ALGORITHMS) -> None:
        super().__init__(algorithms=algorithms, strict_check_header=False)


@dataclass(frozen=True, slots=True)
class Assertion:
    """What an assertion says of itself; nothing of it is proved. `expires` in seconds."""

    text: str
    client_id: str
    algorithm: str
    kid: str
    key_set_url: str | None
    jti: str
    expires: int


def read_assertion(text: str, audiences: Collection[str], now: int) -> Assertion:
    """Take it apart, for one of `audiences`. Raises InvalidClient that says what is wrong."""
    header, claims = _parts(text)
    algorithm = header.get("alg")
    if algorithm not in ALGORITHMS:
        raise InvalidClient("The assertion must be signed with RS384 or ES384")
    if str(header.get("typ", "")).lower() != "jwt":
        raise InvalidClient("The header of the assertion must have typ JWT")
    _require_claims(claims, audiences, now)
    if claims["iss"] != claims["sub"]:
        raise InvalidClient("iss and sub of the assertion must both be the client id")
    url = header.get("jku")
    if url is not None and not isinstance(url, str):
        raise InvalidClient("jku of the assertion must be a URL")
    return Assertion(
        text,
        _name(claims, "iss"),
        algorithm,
        _name(header, "kid"),
        url,
        _name(claims, "jti"),
        int(claims["exp"]),
    )


def _parts(text: str) -> tuple[dict[str, Any], dict[str, Any]]:
    if len(text) > MOST_TEXT:
        raise InvalidClient("The assertion is too long")
    try:
        found = extract_compact(text.encode("ascii"), registry=AssertionRegistry())
        header, claims = found.headers(), json.loads(found.payload)
    except (JoseError, ValueError, TypeError, AttributeError, RecursionError):
        raise InvalidClient("The assertion is no signed JWT") from None
    if not isinstance(header, dict) or not isinstance(claims, dict):
        raise InvalidClient("The assertion is no signed JWT")
    return header, claims


def _require_claims(claims: dict[str, Any], audiences: Collection[str], now: int) -> None:
    options: dict[str, ClaimsOption] = {name: {"essential": True} for name in _NEEDED}
    options["aud"] = {"essential": True, "values": list(audiences)}
    registry = JWTClaimsRegistry(now, LEEWAY, **options)
    try:
        registry.validate(claims)
    except ExpiredTokenError:
        raise InvalidClient("The assertion has expired: exp is in the past") from None
    except MissingClaimError:
        lacking = [name for name in (*_NEEDED, "aud") if claims.get(name) is None]
        raise InvalidClient(f"The assertion lacks {', '.join(lacking)}") from None
    except ClaimError as error:
        raise InvalidClient(_wrong(claims, error.claim, now)) from None
    except JoseError:
        raise InvalidClient("The claims of the assertion cannot be read") from None
    if claims["exp"] > now + LONGEST + LEEWAY:
        raise InvalidClient("The assertion must expire within five minutes")


def _wrong(claims: dict[str, Any], claim: str, now: int) -> str:
    """What is wrong with a claim that is there; nothing of it is told back."""
    if claim == "aud":
        return "aud of the assertion must be the token endpoint"
    value = claims.get(claim)
    if claim in ("iat", "nbf", "exp"):
        if isinstance(value, int | float) and value > now:
            return f"{claim} of the assertion is in the future; here it is {now}: look at the clock"
        return f"{claim} of the assertion must be a number, seconds since 1970"
    return f"{claim} of the assertion must be a text that is not empty"


def _name(found: dict[str, Any], key: str) -> str:
    value = found.get(key)
    if not isinstance(value, str) or not 1 <= len(value) <= _NAME or _UNFIT.search(value):
        raise InvalidClient(f"{key} of the assertion must have 1 to {_NAME} characters")
    return value
