"""Who holds this access token of the organisation's identity provider? (RFC 9068)

Made out for this service (`aud` is the FHIR base URL) and for a person of the table; its scopes
are cut to those of the role. What was found is remembered for `RECHECK` seconds; then it is
verified again, with the keys that the provider has by then, and the person looked up again.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from service.access.narrowing import bounded
from service.access.openid_people import OpenIdPeople
from service.access.openid_provider import Provider, ProviderError
from service.access.openid_tokens import access_token_claims, issuer_in
from service.access.people_roles import scopes_of_role
from service.access.refusals import InvalidToken
from service.access.remembered import Remembered
from service.access.sessions import caller_of
from service.caller import Caller
from service.errors import Forbidden, Unavailable

RECHECK = 1.0
REMEMBERED = 4096


@dataclass(slots=True)
class _Known:
    end: float
    caller: Caller
    checked: float


class OpenIdBearers:
    """The tokens of the provider that one process has seen."""

    def __init__(
        self,
        provider: Provider,
        people: OpenIdPeople,
        audience: str,
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self._provider = provider
        self._people = people
        self._audience = audience
        self._clock = clock
        self._ticks = ticks
        self._known: Remembered[bytes, _Known] = Remembered(REMEMBERED)

    def is_theirs(self, text: str) -> bool:
        """Whether the token says to be of the provider; nothing is verified."""
        return issuer_in(text) == self._provider.issuer

    def caller(self, text: str) -> Caller:
        """Who holds the token. Raises InvalidToken, or Unavailable where the provider is away."""
        digest = hashlib.sha256(text.encode()).digest()
        now, ticks = int(self._clock()), self._ticks()
        known = self._known.get(digest)
        if known is None or ticks - known.checked >= RECHECK:
            claims = self._verified(text, now)
            known = _Known(claims["exp"], self._caller(claims), ticks)
            self._known.keep(digest, known)
        if known.end <= now:
            raise InvalidToken("The access token has expired", expired=True)
        return known.caller

    def is_fresh(self, text: str) -> bool:
        """Whether `caller` would answer without waiting."""
        known = self._known.peek(hashlib.sha256(text.encode()).digest())
        return known is not None and self._ticks() - known.checked < RECHECK

    def _verified(self, text: str, now: int) -> dict[str, Any]:
        try:
            return access_token_claims(self._provider, text, self._audience, now)
        except ProviderError as error:
            raise Unavailable(f"The token cannot be verified: {error}") from None

    def _caller(self, claims: dict[str, Any]) -> Caller:
        try:
            person = self._people.person(claims)
        except Forbidden as refusal:
            raise InvalidToken(str(refusal)) from None
        scope, number = claims.get("scope"), claims.get("jti")
        try:
            scopes = bounded(
                scope.split() if isinstance(scope, str) else (), scopes_of_role(person.role)
            )
        except ValueError as error:
            raise InvalidToken(str(error)) from None
        return caller_of(person, scopes, number[:255] if isinstance(number, str) else "")
