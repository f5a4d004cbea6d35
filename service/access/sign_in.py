"""How are the parts of signing in put together?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

from service.access.addresses import Addresses
from service.access.browsers import Browsers
from service.access.fetching import Fetched, Network, ask, required_url
from service.access.openid import Client, OpenId
from service.access.openid_bearers import OpenIdBearers
from service.access.openid_people import OpenIdPeople, read_people
from service.access.openid_provider import Provider
from service.access.people import People
from service.access.people_recording import Recorder, SignIns
from service.access.people_roles import roles
from service.access.sessions import Sessions, Span
from service.access.sessions_cookies import cookies_at
from service.settings import Settings
from service.store.engine import Database


@dataclass(frozen=True, slots=True)
class SignIn:
    """What the sign-in page and the gate need; `openid` where a provider is set."""

    people: People
    browsers: Browsers
    root: str
    """The path of this service as browsers have it: empty, or what a proxy puts before."""
    openid: OpenId | None = None
    bearers: OpenIdBearers | None = None


def opened_sign_in(
    database: Database,
    settings: Settings,
    addresses: Addresses,
    networks: tuple[Network, ...],
    recorder: Recorder | None,
) -> SignIn:
    """Signing in on this database. Raises ValueError for a setting that cannot be."""
    span = Span(settings.session_idle_minutes * 60, settings.session_hours * 3600)
    sessions = Sessions(database, span)
    browsers = Browsers(sessions, cookies_at(addresses.fhir, settings.base_url))
    people = People(database, sessions, SignIns(recorder))
    root = urlsplit(addresses.token).path.removesuffix("/access/token")
    if not settings.oidc_issuer:
        return SignIn(people, browsers, root)
    provider = Provider(settings.oidc_issuer, partial(_ask, networks))
    named = OpenIdPeople(database, read_people(settings.oidc_people), addresses.fhir)
    client = Client(settings.oidc_client_id, secret_of(settings), addresses.openid)
    return SignIn(
        people,
        browsers,
        root,
        OpenId(database, provider, named, client),
        OpenIdBearers(provider, named, addresses.fhir),
    )


def require_sign_in(settings: Settings) -> None:
    """Raise ValueError for a setting of signing in, or a table, that cannot be."""
    roles()
    if not 1 <= settings.session_idle_minutes <= 24 * 60:
        raise ValueError("HYOID_SESSION_IDLE_MINUTES must be between 1 and 1440")
    if not 1 <= settings.session_hours <= 24 * 7:
        raise ValueError("HYOID_SESSION_HOURS must be between 1 and 168")
    if not settings.oidc_issuer:
        return
    try:
        required_url(settings.oidc_issuer)
    except ValueError as error:
        raise ValueError(f"HYOID_OIDC_ISSUER: {error}") from None
    for name in ("oidc_client_id", "oidc_people"):
        if not getattr(settings, name):
            raise ValueError(f"HYOID_{name.upper()} goes with HYOID_OIDC_ISSUER")
    try:
        read_people(settings.oidc_people)
    except ValueError as error:
        raise ValueError(f"HYOID_OIDC_PEOPLE: {error}") from None
    secret_of(settings)


def secret_of(settings: Settings) -> str:
    """The secret of this service at the provider, empty where there is none. Raises ValueError."""
    path = settings.oidc_client_secret_file
    if not path:
        return settings.oidc_client_secret
    try:
        return Path(path).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeError) as error:
        raise ValueError(f"HYOID_OIDC_CLIENT_SECRET_FILE: {error}") from None


def _ask(
    networks: tuple[Network, ...],
    method: str,
    url: str,
    form: Mapping[str, str] | None,
    headers: Mapping[str, str] | None,
) -> Fetched:
    return ask(method, url, networks, form, headers)
