"""Is it safe to serve like this? What must not be is refused before anything listens to clients.

Records and access tokens go over no network unencrypted (BCP 195, RFC 9325), and nobody else on
the machine may read what tokens are signed with.
"""

from __future__ import annotations

import os
import ssl
import stat
from ipaddress import ip_network
from pathlib import Path
from urllib.parse import urlsplit

from sqlalchemy.engine import make_url

from service.access.gate import is_loopback_host
from service.access.opening import checked_networks
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
        _require_private_store(settings.database)


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


def _require_private_store(url: str) -> None:
    """An SQLite file holds records, and the keys that sign access tokens."""
    try:
        found = make_url(url)
    except Exception:
        return  # Told when it is opened.
    if not found.get_backend_name().startswith("sqlite") or not found.database:
        return
    for suffix in ("", "-wal", "-shm"):
        path = Path(found.database + suffix)
        if path.exists():
            _require_own(path, "--database")


def _require_own(path: Path, option: str) -> None:
    """Raise RefusedError where others than the owner reach the file, or could put another there."""
    if os.name != "posix":
        return
    try:
        told = path.stat()
        folders = {path.absolute().parent, path.resolve().parent}
        around = [(folder, folder.stat()) for folder in sorted(folders)]
    except OSError as error:
        raise RefusedError(f"{option}: {path}: {error.strerror}", MISUSED) from None
    trusted = (0, os.geteuid())
    if told.st_uid not in trusted:
        raise RefusedError(f"{option}: {path} belongs to another user", MISUSED)
    if stat.S_IMODE(told.st_mode) & 0o077:
        raise RefusedError(
            f"{option}: {path} can be reached by others than its owner: chmod 600 {path}", MISUSED
        )
    for folder, about in around:
        others = about.st_mode & stat.S_IWOTH and not about.st_mode & stat.S_ISVTX
        if others or about.st_uid not in trusted:
            raise RefusedError(
                f"{option}: others may replace files in {folder}: chmod o-w {folder}"
                if others
                else f"{option}: the folder {folder} belongs to another user",
                MISUSED,
            )
