"""Is it safe to serve like this? What must not be is refused before anything listens to clients.

Records and access tokens go over no network unencrypted (BCP 195, RFC 9325), and nobody else on
the machine may read what tokens are signed with.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable
from ipaddress import ip_network
from pathlib import Path
from urllib.parse import urlsplit

from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from service.access.hosts import is_loopback_host
from service.access.key_file import place_of
from service.access.opening import checked_networks
from service.access.private_files import require_private, require_unforged
from service.commands._telling import MISUSED, RefusedError
from service.rest.headers import origins_in
from service.settings import Settings

CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
"""For TLS 1.2: forward secrecy and authenticated encryption alone (RFC 9325, section 4.2)."""


def require_safe(settings: Settings, *, only_here: bool) -> None:
    """Raise RefusedError, in one line, for settings that are unsafe or cannot be.

    `only_here`: nobody but this machine reaches the address that is listened on.
    """
    _require_possible(settings)
    _require_tls(settings)
    if settings.access == "smart":
        _require_encryption(settings, only_here)
        _require_private_files(settings)


def proxies_of(settings: Settings) -> list[str]:
    """Whose X-Forwarded-For and X-Forwarded-Proto are believed: this machine, and those set."""
    return ["127.0.0.1", "::1", *settings.proxies.replace(",", " ").split()]


def _require_possible(settings: Settings) -> None:
    try:
        checked_networks(settings)
    except ValueError as error:
        raise RefusedError(str(error), MISUSED) from None
    try:
        origins_in(settings.cors_origins)
    except ValueError as error:
        raise RefusedError(f"HYOID_CORS_ORIGINS: {error}", MISUSED) from None
    for proxy in proxies_of(settings):
        try:
            network = ip_network(proxy)
        except ValueError:
            raise RefusedError(
                f"HYOID_PROXIES: {proxy!r} is no address and no network like 10.0.0.0/24", MISUSED
            ) from None
        if not network.prefixlen:
            raise RefusedError(f"HYOID_PROXIES: {proxy} would believe everybody", MISUSED)
    if not settings.rate_burst and settings.rate_per_second:
        raise RefusedError("HYOID_RATE_BURST must be 1 or more", MISUSED)


def _require_encryption(settings: Settings, only_here: bool) -> None:
    base = urlsplit(settings.base_url)
    if base.scheme == "http" and not is_loopback_host(base.netloc):
        raise RefusedError(
            "HYOID_BASE_URL begins with http: access tokens and records would go unencrypted; set"
            " the https address that clients use",
            MISUSED,
        )
    if not only_here and not settings.tls_cert and base.scheme != "https":
        raise RefusedError(
            f"--host {settings.host or '*'} can be reached from elsewhere, without encryption: give"
            " --tls-cert and --tls-key, or set HYOID_BASE_URL to the https address of the proxy"
            " in front",
            MISUSED,
        )
    if not only_here and not settings.base_url:
        raise RefusedError(
            f"--host {settings.host or '*'} can be reached from elsewhere under names that only you"
            " know: set HYOID_BASE_URL to the https address that clients use, ending in /fhir;"
            " access tokens are for that address",
            MISUSED,
        )


def _require_tls(settings: Settings) -> None:
    if not settings.tls_cert and not settings.tls_key:
        return
    if not settings.tls_cert or not settings.tls_key:
        raise RefusedError("--tls-cert and --tls-key go together", MISUSED)
    _require_own(Path(settings.tls_key), "--tls-key")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        # An empty passphrase instead of a question on the terminal, which nobody may be at.
        context.load_cert_chain(settings.tls_cert, settings.tls_key, password=lambda: "")
    except FileNotFoundError:
        raise RefusedError(f"--tls-cert: there is no file {settings.tls_cert}", MISUSED) from None
    except OSError as error:
        reason = getattr(error, "reason", "") or error.strerror or type(error).__name__
        raise RefusedError(
            f"--tls-cert {settings.tls_cert} and --tls-key {settings.tls_key} cannot be used:"
            f" {str(reason).replace('_', ' ').lower()} (PEM is needed, the key without passphrase)",
            MISUSED,
        ) from None


def _require_private_files(settings: Settings) -> None:
    """What holds records or secrets is for its owner alone; what gives roles nobody else writes."""
    for path in _sqlite_files(settings.database):
        _require_own(path, "--database")
    try:
        key_file: Path | None = place_of(settings)
    except ValueError:
        key_file = None  # Told when it is opened.
    if key_file is not None and key_file.exists():
        _require_own(key_file, "--key-file")
    if settings.oidc_issuer and settings.oidc_client_secret_file:
        _require_own(Path(settings.oidc_client_secret_file), "HYOID_OIDC_CLIENT_SECRET_FILE")
    if settings.oidc_issuer:
        _require_own(Path(settings.oidc_people), "HYOID_OIDC_PEOPLE", require_unforged)


def _sqlite_files(url: str) -> list[Path]:
    try:
        found = make_url(url)
    except ArgumentError:
        return []  # Told when it is opened.
    if not found.get_backend_name().startswith("sqlite") or not found.database:
        return []
    paths = [Path(found.database + suffix) for suffix in ("", "-wal", "-shm")]
    return [path for path in paths if path.exists()]


def _require_own(
    path: Path, option: str, required: Callable[[Path], None] = require_private
) -> None:
    """Raise RefusedError where others than the owner reach the file, or could put another there."""
    try:
        required(path)
    except ValueError as error:
        raise RefusedError(f"{option}: {error}", MISUSED) from None
