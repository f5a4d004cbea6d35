"""Where are the doors of the organisation's identity provider, and which keys does it sign with?

OpenID Connect Discovery 1.0, sections 4 and 4.3; keys by their number, asked for again where one
is unknown, so that the provider can change them, but not more often than every FLOOR seconds.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, OKPKey, RSAKey

from service.access.fetching import Fetched, FetchError, required_url

log = logging.getLogger("hyoid")

FLOOR = 10
"""Seconds between two fetches that failed, or that an unknown key number asks for."""
LONGEST = 3600
"""Seconds that what the provider says of itself is kept."""

SIGNED = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512")
"""Algorithms with a public key (RFC 7518), of which the provider names its own."""
_KINDS: dict[str, tuple[type[RSAKey | ECKey | OKPKey], str]] = {
    "RS": (RSAKey, "RSA"),
    "PS": (RSAKey, "RSA"),
    "ES": (ECKey, "EC"),
}
_CURVES = {"ES256": "P-256", "ES384": "P-384", "ES512": "P-521"}
_SMALLEST_RSA = 2048
_MOST_KEYS = 50

Ask = Callable[[str, str, Mapping[str, str] | None, Mapping[str, str] | None], Fetched]
"""method, URL, form, headers; see `fetching.ask`."""


class ProviderError(Exception):
    """The provider can't be used now; the text is for the keeper of the service."""


@dataclass(frozen=True, slots=True)
class Doors:
    """What discovery says."""

    authorization: str
    token: str
    userinfo: str
    keys: str
    algorithms: tuple[str, ...]
    secret_in_form: bool
    tells_issuer: bool
    """Whether it puts `iss` into its answers (RFC 9207)."""


class Provider:
    """The identity provider as one process knows it."""

    def __init__(self, issuer: str, ask: Ask, ticks: Callable[[], float] = time.monotonic) -> None:
        self.issuer = issuer
        self.ask = ask
        self._ticks = ticks
        self._lock = threading.Lock()
        self._doors: Doors | None = None
        self._doors_until = float("-inf")
        self._doors_asked = float("-inf")
        self._keys: tuple[dict[str, Any], ...] = ()
        self._keys_until = float("-inf")
        self._keys_asked = float("-inf")

    def doors(self) -> Doors:
        """What discovery says now. Raises ProviderError."""
        # Who needs nothing new waits for nobody who asks the provider.
        known = self._doors
        if known is not None and self._ticks() < self._doors_until:
            return known
        with self._lock:
            now = self._ticks()
            if now >= self._doors_until and now - self._doors_asked >= FLOOR:
                self._doors_asked = now
                self._refresh_doors(now)
            if self._doors is None:
                raise ProviderError("the identity provider does not answer")
            return self._doors

    def key(self, kid: str | None, algorithm: str) -> Key | None:
        """The one key of this number that fits the algorithm. Raises ProviderError."""
        doors = self.doors()
        if self._ticks() < self._keys_until and (known := self._fitting(kid, algorithm)):
            return known
        with self._lock:
            now = self._ticks()
            found = self._fitting(kid, algorithm)
            rested = now - self._keys_asked >= FLOOR
            if (found is None or now >= self._keys_until) and rested:
                self._keys_asked = now
                self._refresh_keys(doors.keys, now)
                found = self._fitting(kid, algorithm)
            if found is None and now >= self._keys_until:
                raise ProviderError("the keys of the identity provider cannot be had")
            return found

    def _refresh_doors(self, now: float) -> None:
        url = self.issuer.rstrip("/") + "/.well-known/openid-configuration"
        try:
            fetched = self.ask("GET", url, None, None)
            self._doors = _doors(json_object(fetched.body), self.issuer)
            self._doors_until = now + max(fetched.lifetime, FLOOR)
        except (FetchError, ValueError) as error:
            log.warning("The identity provider at %s cannot be used: %s", url, error)
            if now - self._doors_until > LONGEST:
                self._doors = None

    def _refresh_keys(self, url: str, now: float) -> None:
        try:
            fetched = self.ask("GET", url, None, None)
            keys = json_object(fetched.body).get("keys")
            if not isinstance(keys, list):
                raise ValueError("no JWK Set")
            self._keys = tuple(key for key in keys[:_MOST_KEYS] if isinstance(key, dict))
            self._keys_until = now + fetched.lifetime
        except (FetchError, ValueError) as error:
            log.warning("The keys of the identity provider at %s: %s", url, error)
            if now >= self._keys_until:
                self._keys = ()

    def _fitting(self, kid: str | None, algorithm: str) -> Key | None:
        found = [jwk for jwk in self._keys if _fits(jwk, kid, algorithm)]
        return _imported(found[0], algorithm) if len(found) == 1 else None


def json_object(body: bytes) -> dict[str, Any]:
    """A JSON object. Raises ValueError."""
    try:
        found = json.loads(body)
    except RecursionError:
        raise ValueError("not JSON") from None
    if not isinstance(found, dict):
        raise ValueError("not a JSON object")
    return found


def _doors(told: dict[str, Any], issuer: str) -> Doors:
    if told.get("issuer") != issuer:
        raise ValueError("its issuer is another than HYOID_OIDC_ISSUER")
    named = told.get("id_token_signing_alg_values_supported", ["RS256"])
    algorithms = tuple(each for each in SIGNED if isinstance(named, list) and each in named)
    if not algorithms:
        raise ValueError("it signs with no algorithm that is taken here")
    methods = told.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])
    userinfo = told.get("userinfo_endpoint")
    return Doors(
        _door(told, "authorization_endpoint"),
        _door(told, "token_endpoint"),
        _door(told, "userinfo_endpoint") if userinfo else "",
        _door(told, "jwks_uri"),
        algorithms,
        "client_secret_basic" not in methods and "client_secret_post" in methods,
        told.get("authorization_response_iss_parameter_supported") is True,
    )


def _door(told: dict[str, Any], name: str) -> str:
    url = told.get(name)
    if not isinstance(url, str):
        raise ValueError(f"it tells no {name}")
    try:
        required_url(url)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None
    return url


def _fits(jwk: dict[str, Any], kid: str | None, algorithm: str) -> bool:
    return (
        (kid is None or jwk.get("kid") == kid)
        and jwk.get("kty") == _KINDS[algorithm[:2]][1]
        and jwk.get("use", "sig") == "sig"
        and jwk.get("alg", algorithm) == algorithm
        and (algorithm not in _CURVES or jwk.get("crv") == _CURVES[algorithm])
    )


def _imported(jwk: dict[str, Any], algorithm: str) -> Key | None:
    kind = _KINDS[algorithm[:2]][0]
    try:
        key = kind.import_key({name: value for name, value in jwk.items() if name != "d"})
        public = key.public_key
    except (JoseError, ValueError, KeyError, TypeError, OverflowError):
        return None
    if isinstance(key, RSAKey) and getattr(public, "key_size", 0) < _SMALLEST_RSA:
        return None
    return key
