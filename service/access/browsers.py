"""Who asks from a browser that is signed in? By the cookie of the session."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.access.sessions import Sessions, SignedIn
from service.access.sessions_cookies import SAFE_METHODS, Cookies
from service.caller import Caller


@dataclass(frozen=True, slots=True)
class Browsers:
    """The browsers in which somebody is signed in."""

    sessions: Sessions
    cookies: Cookies

    def caller(self, headers: Mapping[str, str], method: str) -> Caller | None:
        """The person; None where nobody is signed in.

        Raises Forbidden where another site makes the browser ask for what may change something.
        """
        signed_in = self.signed_in(headers)
        if signed_in is None:
            return None
        if method not in SAFE_METHODS:
            self.cookies.require_own_page(headers)
        return signed_in.caller

    def signed_in(self, headers: Mapping[str, str]) -> SignedIn | None:
        """Who is signed in in this browser."""
        token = self.cookies.token(headers)
        return self.sessions.signed_in(token) if token else None

    def is_quick(self, headers: Mapping[str, str]) -> bool:
        """Whether `caller` will not wait for anything."""
        token = self.cookies.token(headers)
        return token is None or self.sessions.is_fresh(token)
