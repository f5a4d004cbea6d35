"""How does a system get a token, ask about it, and give it back?

`client_credentials` (RFC 6749, section 4.4; SMART App Launch 2, "Backend Services"), introspection
(RFC 7662), revocation (RFC 7009). Forms in, JSON out; no web framework.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.access.addresses import Addresses
from service.access.authentication import ASSERTION_TYPE, Authentication
from service.access.bearer import Bearers
from service.access.forms import bearer_in, required
from service.access.narrowing import bounded
from service.access.refusals import (
    InvalidClient,
    InvalidScope,
    InvalidToken,
    UnauthorizedClient,
    UnsupportedGrantType,
)
from service.access.tokens import AccessTokens
from service.store.audit.trail import known_as
from service.store.engine import Database
from service.store.systems import SystemClient
from service.store.systems_tokens import revoke_token


@dataclass(frozen=True, slots=True)
class Systems:
    """What systems may ask of access control. `clock` gives seconds since 1970."""

    database: Database
    addresses: Addresses
    authentication: Authentication
    tokens: AccessTokens
    bearers: Bearers
    clock: Callable[[], float] = time.time

    def token(self, form: Mapping[str, str], _authorization: str = "") -> dict[str, Any]:
        """An access token. Raises OAuthError."""
        if required(form, "grant_type") != "client_credentials":
            raise UnsupportedGrantType("client_credentials is offered")
        now = int(self.clock())
        client = self._client(form, now, self.addresses.token)
        try:
            scopes = bounded(form.get("scope", "").split(), client.scopes)
        except ValueError as error:
            raise InvalidScope(str(error)) from None
        if not scopes:
            raise InvalidScope("None of the scopes asked for may be given to this system")
        return {
            "access_token": self.tokens.issue(client, scopes, now),
            "token_type": "bearer",
            "expires_in": self.tokens.seconds,
            "scope": " ".join(sorted(scopes)),
        }

    def introspect(self, form: Mapping[str, str], authorization: str) -> dict[str, Any]:
        """What a token of the system that asks is worth; of one of another, nothing is told."""
        owner = self._owner(form, authorization, self.addresses.introspection)
        found = self.bearers.active(required(form, "token"))
        if found is None or found[1].name != owner:
            return {"active": False}
        token, caller = found
        tied = {} if caller.tied is None else {"tied": sorted(caller.tied)}
        return {
            "active": True,
            "scope": " ".join(sorted(caller.scopes)),
            "client_id": token.client_id,
            "sub": token.client_id,
            "token_type": "bearer",
            "iss": self.addresses.fhir,
            "aud": self.addresses.fhir,
            "iat": token.issued,
            "exp": token.expires,
            "jti": token.jti,
            **tied,
        }

    def revoke(self, form: Mapping[str, str], authorization: str) -> None:
        """Let a token count no more; nothing happens where it does not count already."""
        owner = self._owner(form, authorization, self.addresses.revocation)
        found = self.bearers.active(required(form, "token"))
        if found is None:
            return
        token, _ = found
        if token.client_id != owner:
            raise UnauthorizedClient("The token was not given to this system")
        revoke_token(self.database, token.jti, token.expires, int(self.clock()))

    def _owner(self, form: Mapping[str, str], authorization: str, here: str) -> str:
        """The system that asks: by an assertion, or by an access token of its own."""
        bearer = bearer_in(authorization)
        if bearer is None:
            return self._client(form, int(self.clock()), self.addresses.token, here).id
        try:
            name = self.bearers.caller(bearer).name
        except InvalidToken as refusal:
            raise InvalidClient(refusal.description) from None
        known_as(name)
        return name

    def _client(self, form: Mapping[str, str], now: int, *audiences: str) -> SystemClient:
        if form.get("client_assertion_type") != ASSERTION_TYPE or "client_assertion" not in form:
            raise InvalidClient(
                "A client_assertion is needed, with client_assertion_type " + ASSERTION_TYPE
            )
        client = self.authentication.client(form["client_assertion"], audiences, now)
        known_as(client.id)
        if form.get("client_id", client.id) != client.id:
            raise InvalidClient
        return client
