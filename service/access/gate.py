"""Is this request let in, and as whom? One gate before every interaction."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from ipaddress import ip_address
from typing import Protocol
from urllib.parse import urlsplit

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, NotAuthenticated


class Gate(Protocol):
    """Says who is asking, or refuses."""

    def admit(self, interaction: str, headers: Mapping[str, str]) -> Caller:
        """The caller of a request. Raises NotAuthenticated or Forbidden."""
        ...


class OpenGate:
    """`--access open`: whoever reaches the service may do everything.

    It listens on loopback only, so it answers to names of loopback only, and to that of the base
    URL where one is set: else a page in the keeper's browser could reach it under a name of its
    own that leads to loopback (DNS rebinding).
    """

    def __init__(self, base_url: str = "") -> None:
        self._name = urlsplit(base_url).hostname or "localhost"

    def admit(self, interaction: str, headers: Mapping[str, str]) -> Caller:
        """Everybody who uses such a name is the anonymous caller. Raises Forbidden."""
        host = headers.get("host", "")
        if not is_loopback_host(host) and host_name(host) != self._name:
            raise Forbidden(
                "Without access control the service answers to loopback names only",
                location="http.Host",
            )
        return ANONYMOUS


def host_name(host: str) -> str:
    """The name in a Host header, without the port; empty where it cannot be read."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


@lru_cache(maxsize=64)
def is_loopback_host(host: str) -> bool:
    """Whether a Host header names loopback: localhost, 127.0.0.0/8, ::1."""
    name = host_name(host)
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False


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
