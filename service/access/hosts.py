"""By which names does the service answer?

Where HYOID_BASE_URL says what it is called, links and tokens are for that name, whatever a Host
header says. Where it does not, the service listens on loopback alone (`commands/_safety.py`) and
links follow the Host header: then it answers to names of loopback only, or a page in somebody's
browser could reach it under a name of its own that leads to loopback (DNS rebinding), and whoever
relays a request could choose where links lead. Without access control that is so in any case.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from ipaddress import ip_address
from urllib.parse import urlsplit

from service.errors import Forbidden
from service.settings import Settings


class Names:
    """The names of this service; `require` is asked before anything else is."""

    def __init__(self, settings: Settings) -> None:
        self._any = settings.access == "smart" and bool(settings.base_url)
        self._own = host_name(urlsplit(settings.base_url).netloc) or "localhost"

    def require(self, headers: Iterable[tuple[bytes, bytes]]) -> None:
        """Raise Forbidden where the request is for another name, or for several."""
        if self._any:
            return
        host = b", ".join(value for name, value in headers if name == b"host").decode("latin-1")
        if not is_loopback_host(host) and host_name(host) != self._own:
            raise Forbidden(
                "The service answers to loopback names only, and to that of HYOID_BASE_URL",
                location="http.Host",
            )


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
