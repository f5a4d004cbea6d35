"""How are the parts of access control put together?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from urllib.parse import urlsplit

from service.access.addresses import addresses_of
from service.access.authentication import Authentication
from service.access.bearer import Bearers
from service.access.fetching import Network, fetch, networks_in
from service.access.gate import SmartGate
from service.access.key_sets import KeySets
from service.access.people_recording import Recorder
from service.access.sign_in import SignIn, opened_sign_in, require_sign_in
from service.access.signing import LONGEST_TOKEN, SigningKeys, opened_secrets
from service.access.systems import Systems
from service.access.tokens import AccessTokens
from service.settings import Settings
from service.store.engine import Database


@dataclass(frozen=True, slots=True)
class Access:
    """What `--access smart` needs."""

    gate: SmartGate
    systems: Systems
    keys: SigningKeys
    sign_in: SignIn


def opened_access(
    database: Database, settings: Settings, recorder: Recorder | None = None
) -> Access:
    """Access control on this database. Raises ValueError for a setting that cannot be."""
    networks = checked_networks(settings)
    addresses = addresses_of(settings)
    keys = SigningKeys(database, opened_secrets(database, settings), settings.key_days)
    tokens = AccessTokens(keys, addresses.fhir, settings.token_seconds)
    bearers = Bearers(database, tokens)
    authentication = Authentication(database, KeySets(partial(fetch, networks=networks)))
    sign_in = opened_sign_in(database, settings, addresses, networks, recorder)
    gate = SmartGate(
        bearers,
        waits=database.dialect != "sqlite",
        browsers=sign_in.browsers,
        elsewhere=sign_in.bearers,
    )
    systems = Systems(database, addresses, authentication, tokens, bearers)
    return Access(gate, systems, keys, sign_in)


def checked_networks(settings: Settings) -> tuple[Network, ...]:
    """The networks where key sets may lie. Raises ValueError for a setting of access that cannot
    be, whichever it is."""
    if not 1 <= settings.token_seconds <= LONGEST_TOKEN:
        raise ValueError(f"HYOID_TOKEN_SECONDS must be between 1 and {LONGEST_TOKEN}")
    base = urlsplit(settings.base_url)
    if settings.base_url and (base.scheme not in ("http", "https") or not base.hostname):
        raise ValueError("HYOID_BASE_URL must be a URL like https://records.example/fhir")
    require_sign_in(settings)
    try:
        return networks_in(settings.jwks_networks)
    except ValueError as error:
        raise ValueError(f"HYOID_JWKS_NETWORKS: {error}") from None
