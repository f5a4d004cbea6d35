"""Where are the doors of access control?

Fixed by the settings and never taken from a request: the audience of an assertion must be what
this service calls itself, not what whoever relays it says in a Host header.
"""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Addresses:
    """Absolute URLs. `fhir` is the issuer and the audience of access tokens."""

    fhir: str
    token: str
    introspection: str
    revocation: str
    keys: str
    openid: str
    """Where the identity provider sends people back to."""


def addresses_of(settings: Settings) -> Addresses:
    """Beside the FHIR base URL, `…/access` for `…/fhir`; below it where that is a bare name."""
    fhir = settings.fhir_base()
    parent = fhir.rpartition("/")[0] if urlsplit(fhir).path else fhir
    access = f"{parent}/access"
    return Addresses(
        fhir,
        f"{access}/token",
        f"{access}/introspect",
        f"{access}/revoke",
        f"{access}/jwks",
        f"{access}/openid/callback",
    )
