"""How do people sign in at the organisation's identity provider, and come back?

Authorization code flow of OpenID Connect Core 1.0, section 3.1, with PKCE (RFC 7636, S256), state
bound to the browser by a cookie, nonce, and the issuer told back (RFC 9207); as RFC 9700 wants
them. A sign-in that began is resumed once, by any process.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import secrets
import time
from base64 import b64encode, urlsafe_b64encode
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote_plus, urlencode, urlsplit

from service.access.fetching import FetchError
from service.access.openid_people import OpenIdPeople
from service.access.openid_provider import Doors, Provider, ProviderError, json_object
from service.access.openid_tokens import id_token_claims
from service.access.refusals import InvalidToken
from service.access.sessions import digest_of
from service.errors import NotAuthenticated, Unavailable
from service.store.engine import Database
from service.store.people import Person
from service.store.people_sessions import OpenIdAttempt, begin_openid, resume_openid

log = logging.getLogger("hyoid")

SECONDS = 600
"""How long somebody may take to sign in there."""
_MOST_CODE = 4096


@dataclass(frozen=True, slots=True)
class Client:
    """What this service is to the provider. `redirect` is registered there, letter by letter."""

    id: str
    secret: str
    redirect: str


@dataclass(frozen=True, slots=True)
class OpenId:
    """Signing in elsewhere. `clock` gives seconds since 1970."""

    database: Database
    provider: Provider
    people: OpenIdPeople
    client: Client
    clock: Callable[[], float] = time.time

    def begin(self, target: str) -> tuple[str, str]:
        """Where to send the browser, and the value of its cookie. Raises Unavailable."""
        doors = self._doors()
        state, browser = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
        nonce, verifier = secrets.token_urlsafe(32), secrets.token_urlsafe(48)
        now = int(self.clock())
        attempt = OpenIdAttempt(digest_of(browser), nonce, verifier, target, now + SECONDS)
        begin_openid(self.database, digest_of(state), attempt, now)
        asked = {
            "response_type": "code",
            "client_id": self.client.id,
            "redirect_uri": self.client.redirect,
            "scope": "openid profile",
            "state": state,
            "nonce": nonce,
            "code_challenge": challenge_of(verifier),
            "code_challenge_method": "S256",
        }
        mark = "&" if urlsplit(doors.authorization).query else "?"
        return f"{doors.authorization}{mark}{urlencode(asked)}", browser

    def finish(self, told: Mapping[str, str], browser: str | None) -> tuple[Person, str]:
        """Who came back, and where they wanted to go.

        Raises NotAuthenticated for what is not the end of a sign-in of this browser, Forbidden
        for people who are not known here, Unavailable where the provider does not answer.
        """
        now = int(self.clock())
        attempt = resume_openid(self.database, digest_of(told.get("state", "")), now)
        mine = digest_of(browser or "")
        if attempt is None or not hmac.compare_digest(attempt.browser, mine):
            raise NotAuthenticated("This sign-in did not begin in this browser, or took too long")
        doors = self._doors()
        self._require_issuer(told, doors)
        code = told.get("code", "")
        if "error" in told or not 1 <= len(code) <= _MOST_CODE:
            raise NotAuthenticated("The identity provider did not sign you in")
        given = self._given(doors, code, attempt.verifier)
        try:
            text = given.get("id_token")
            claims = id_token_claims(
                self.provider,
                text if isinstance(text, str) else "",
                self.client.id,
                attempt.nonce,
                now,
                given.get("access_token"),
            )
        except InvalidToken as refusal:
            log.warning("%s", refusal.description)
            raise NotAuthenticated("The answer of the identity provider is not valid") from None
        except ProviderError as error:
            raise _away(error) from None
        return self.people.person(self._completed(doors, claims, given)), attempt.target

    def _given(self, doors: Doors, code: str, verifier: str) -> dict[str, Any]:
        """The answer of the token endpoint (RFC 6749, sections 2.3.1 and 4.1.3)."""
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": self.client.redirect,
            "code_verifier": verifier,
        }
        headers = {}
        if self.client.secret and not doors.secret_in_form:
            pair = f"{quote_plus(self.client.id)}:{quote_plus(self.client.secret)}"
            headers["Authorization"] = f"Basic {b64encode(pair.encode()).decode()}"
        else:
            form["client_id"] = self.client.id
            if self.client.secret:
                form["client_secret"] = self.client.secret
        try:
            return json_object(self.provider.ask("POST", doors.token, form, headers).body)
        except (FetchError, ValueError) as error:
            log.warning("The token endpoint of the identity provider: %s", error)
            raise NotAuthenticated("The identity provider did not confirm the sign-in") from None

    def _completed(
        self, doors: Doors, claims: dict[str, Any], given: dict[str, Any]
    ) -> dict[str, Any]:
        """With those of the userinfo endpoint, where the ID token lacks some (section 5.3.2)."""
        token = given.get("access_token")
        lacking = self.people.table.claims() - claims.keys()
        if not lacking or not doors.userinfo or not isinstance(token, str):
            return claims
        try:
            headers = {"Authorization": f"Bearer {token}"}
            more = json_object(self.provider.ask("GET", doors.userinfo, None, headers).body)
        except (FetchError, ValueError) as error:
            raise _away(error) from None
        if more.get("sub") != claims["sub"]:
            raise NotAuthenticated("The answer of the identity provider is not valid")
        return more | claims

    def _require_issuer(self, told: Mapping[str, str], doors: Doors) -> None:
        issuer = told.get("iss")
        if issuer != self.provider.issuer and (issuer is not None or doors.tells_issuer):
            raise NotAuthenticated("The answer is of another identity provider")

    def _doors(self) -> Doors:
        try:
            return self.provider.doors()
        except ProviderError as error:
            raise _away(error) from None


def challenge_of(verifier: str) -> str:
    """The S256 challenge (RFC 7636, section 4.2)."""
    digest = hashlib.sha256(verifier.encode("ascii")).digest()
    return urlsafe_b64encode(digest).rstrip(b"=").decode()


def _away(error: Exception) -> Unavailable:
    log.warning("The identity provider: %s", error)
    return Unavailable("The identity provider does not answer; try again later")
