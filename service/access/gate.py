"""Is this request let in, and as whom? One gate before every interaction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import anyio.to_thread

from service.access.bearer import Bearers
from service.access.browsers import Browsers
from service.access.forms import bearer_in
from service.access.openid_bearers import OpenIdBearers
from service.access.refusals import InvalidToken
from service.caller import ANONYMOUS, Caller
from service.errors import NotAuthenticated


class Gate(Protocol):
    """Says who is asking, or refuses."""

    def admit(self, interaction: str, headers: Mapping[str, str], method: str = "POST") -> Caller:
        """The caller of a request. Raises NotAuthenticated or Forbidden."""
        ...

    def is_quick(self, interaction: str, headers: Mapping[str, str]) -> bool:
        """Whether `admit` will not wait for anything."""
        ...


class OpenGate:
    """`--access open`: whoever reaches the service may do everything; it listens on loopback
    only, and answers to names of loopback only (`hosts.py`)."""

    def admit(self, interaction: str, headers: Mapping[str, str], method: str = "POST") -> Caller:
        """Everybody is the anonymous caller."""
        return ANONYMOUS

    def is_quick(self, interaction: str, headers: Mapping[str, str]) -> bool:
        """Nothing is looked up."""
        return True


NOBODY = Caller("anonymous", kind="anonymous")
"""Who asks without a token for what is open to all; may do nothing else."""

PUBLIC = frozenset({"capabilities", "smart-configuration"})
"""What tells how to get a token."""


class SmartGate:
    """`--access smart`: nothing but what is public without an access token that counts, or a
    browser in which a person is signed in."""

    def __init__(
        self,
        bearers: Bearers,
        *,
        waits: bool,
        browsers: Browsers | None = None,
        elsewhere: OpenIdBearers | None = None,
    ) -> None:
        """`waits`: the database answers over a network, so that no event loop may ask it.

        `elsewhere`: access tokens of the organisation's identity provider are taken too.
        """
        self._bearers = bearers
        self._waits = waits
        self._browsers = browsers
        self._elsewhere = elsewhere

    def admit(self, interaction: str, headers: Mapping[str, str], method: str = "POST") -> Caller:
        """Who holds the token (RFC 6750), or is signed in. Raises NotAuthenticated, Forbidden."""
        if interaction in PUBLIC:
            return NOBODY
        token = bearer_in(headers.get("authorization", ""))
        if token is None:
            # A header that is no bearer token is none of a page: it does not hide behind a cookie.
            signed_in = (
                self._browsers.caller(headers, method)
                if self._browsers and "authorization" not in headers
                else None
            )
            if signed_in is not None:
                return signed_in
            raise NotAuthenticated(
                "This service needs an access token", headers={"WWW-Authenticate": "Bearer"}
            )
        try:
            if self._elsewhere is not None and self._elsewhere.is_theirs(token):
                return self._elsewhere.caller(token)
            return self._bearers.caller(token)
        except InvalidToken as refusal:
            told = f'Bearer error="invalid_token", error_description="{refusal.description}"'
            raise NotAuthenticated(
                refusal.description,
                code="expired" if refusal.expired else "unknown",
                headers={"WWW-Authenticate": told},
            ) from None

    def is_quick(self, interaction: str, headers: Mapping[str, str]) -> bool:
        """Whether the answer needs no waiting."""
        if interaction in PUBLIC:
            return True
        token = bearer_in(headers.get("authorization", ""))
        if token is None:
            return self._browsers is None or self._browsers.is_quick(headers)
        if self._elsewhere is not None and self._elsewhere.is_theirs(token):
            return self._elsewhere.is_fresh(token)
        return not self._waits or self._bearers.is_fresh(token)


async def admitted(
    gate: Gate, interaction: str, headers: Mapping[str, str], method: str = "POST"
) -> Caller:
    """As `gate.admit`, in a thread where that may have to wait for the database."""
    if gate.is_quick(interaction, headers):
        return gate.admit(interaction, headers, method)
    return await anyio.to_thread.run_sync(gate.admit, interaction, headers, method)
