"""Is this request let in, and as whom? One gate before every interaction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from service.caller import ANONYMOUS, Caller
from service.errors import NotAuthenticated


class Gate(Protocol):
    """Says who is asking, or refuses."""

    def admit(self, interaction: str, headers: Mapping[str, str]) -> Caller:
        """The caller of a request. Raises NotAuthenticated or Forbidden."""
        ...


class OpenGate:
    """`--access open`: whoever reaches the service may do everything."""

    def admit(self, interaction: str, headers: Mapping[str, str]) -> Caller:
        """Everybody is the anonymous caller."""
        return ANONYMOUS


class SmartGate:
    """`--access smart`: nothing but the CapabilityStatement without a token.

    Tokens are not issued or accepted yet, so for now everything else is refused.
    """

    def admit(self, interaction: str, headers: Mapping[str, str]) -> Caller:
        """The anonymous caller for the CapabilityStatement; NotAuthenticated for the rest."""
        if interaction == "capabilities":
            return ANONYMOUS
        raise NotAuthenticated(
            "This service needs an access token", headers={"WWW-Authenticate": "Bearer"}
        )
