"""Which cookie signs a browser in, and did its own page ask?

RFC 6265bis for the attributes and the prefix `__Host-`. A browser sends cookies along whoever
makes it ask, so what may change something must come from a page of this service: Fetch Metadata
(`Sec-Fetch-Site`), else `Origin` (OWASP Cross-Site Request Forgery Prevention Cheat Sheet).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.requests import cookie_parser

from service.errors import Forbidden

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

_LONGEST = 8192


@dataclass(frozen=True, slots=True)
class Cookies:
    """The cookies of this service. `secure`: browsers reach it over https."""

    secure: bool
    origin: str = ""
    """`https://records.example` where a base URL is set; else it is what the browser names."""

    @property
    def session(self) -> str:
        """The name of the cookie of a session."""
        return self._named("hyoid")

    @property
    def openid(self) -> str:
        """The name of the cookie of a sign-in that goes on elsewhere."""
        return self._named("hyoid-openid")

    @property
    def browser(self) -> str:
        """The name of the cookie of a browser in which somebody has signed in before."""
        return self._named("hyoid-browser")

    def token(self, headers: Mapping[str, str], name: str = "") -> str | None:
        """The value of the cookie (of the session, where no name is given)."""
        text = headers.get("cookie", "")
        wanted = name or self.session
        if wanted not in text or len(text) > _LONGEST:
            return None
        # Several Cookie headers come joined by commas, as those of HTTP/2 may.
        return cookie_parser(text.replace(", ", "; ")).get(wanted) or None

    def set(self, name: str, value: str, *, seconds: int, encrypted: bool) -> str:
        """A Set-Cookie header; `encrypted`: this request came over https. 0 seconds: be gone.

        `Lax`: sent when a link from elsewhere leads here, not with what another page sends.
        """
        secure = "; Secure" if self.secure or encrypted else ""
        return f"{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}"

    def require_own_page(self, headers: Mapping[str, str]) -> None:
        """Raise Forbidden where a page of another site makes the browser ask."""
        site = headers.get("sec-fetch-site")
        if site is not None:
            if site in ("same-origin", "none"):
                return
        elif self._is_own(headers.get("origin", ""), headers.get("host", "")):
            return
        raise Forbidden(
            "Another site, or none that can be told, asked for this in your name: ask from a page"
            " of this service",
            location="http.Origin",
        )

    def _is_own(self, origin: str, host: str) -> bool:
        if origin == self.origin and origin:
            return True
        try:
            named = urlsplit(origin)
        except ValueError:
            return False
        fits = named.scheme == "https" if self.secure else named.scheme in ("http", "https")
        return fits and bool(host) and named.netloc == host

    def _named(self, name: str) -> str:
        return f"__Host-{name}" if self.secure else name


def cookies_at(base: str, base_url: str) -> Cookies:
    """The cookies of a service with this FHIR base URL; `base_url` as set, empty where not."""
    parts = urlsplit(base_url)
    origin = f"{parts.scheme}://{parts.netloc}" if base_url else ""
    return Cookies(base.startswith("https://"), origin)


def safe_target(text: str) -> str:
    """Where to go after signing in: a path of this service, or empty (OWASP Unvalidated Redirects).

    A browser reads `//host` and `/\\host` as another host, and leaves out tabs and line ends.
    """
    fits = (
        1 <= len(text) <= 2000
        and text[0] == "/"
        and text[1:2] not in ("/", "\\")
        and "\\" not in text
        and all("!" <= each <= "~" for each in text)
    )
    return text if fits else ""
