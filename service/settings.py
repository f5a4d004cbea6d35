"""How is the service set up? Environment variables HYOID_*, overridden by the command line."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Literal, get_args

Access = Literal["open", "smart"]


@dataclass(frozen=True, slots=True)
class Settings:
    """Every setting, with its default. HYOID_MAX_BODY sets `max_body`, and so on."""

    database: str = "sqlite:///hyoid.sqlite3"
    """Where the store is: an SQLite file or a PostgreSQL URL."""
    access: Access = "smart"
    """`open`: whoever reaches it may do everything; refused on any address but loopback."""
    host: str = "127.0.0.1"
    port: int = 8000
    base_url: str = ""
    """FHIR base URL to put into links, where a proxy hides it; else taken from each request."""
    max_body: int = 16 * 1024 * 1024
    """Largest request body in bytes."""
    max_entries: int = 20_000
    """Most entries of a batch or a transaction."""
    max_answer: int = 64 * 1024 * 1024
    """Bytes of resources in one answer; what takes more is refused as too costly, of a batch those
    entries that are still to be read."""
    page_size: int = 50
    """Resources on a page of a search where the client does not say."""
    max_page_size: int = 1000
    """Most resources on a page, whatever the client says."""
    time_zone: str = ""
    """Zone of the clinic for session notes whose times have none: `-07:00`, `America/Phoenix`."""
    clinic: str = ""
    """What the clinic's numbers start with, for session notes that do not say: `https://…/ids/`."""
    read_seconds: int = 30
    """Longest time for a search or another read, or all those of a batch or transaction together;
    then it is refused as too costly."""
    threads: int = 16
    """Threads that write and search, for each process."""
    token_seconds: int = 300
    """How long an access token lasts; an hour at most."""
    key_days: int = 30
    """Age at which the key that signs access tokens is replaced by a new one."""
    key_file: str = ""
    """File with the secret that the keys in the database are encrypted with, for its owner alone,
    made where there is none; else beside the SQLite file, `<file>.key`. PostgreSQL needs one."""
    jwks_networks: str = ""
    """Networks besides public ones where key sets of systems may lie: `10.0.0.0/8, fd00::/8`."""

    export_hours: int = 24
    """How long a bulk export is kept."""
    export_running: int = 4
    """Bulk exports that one caller may have being made ready at a time."""
    export_kept: int = 100
    """Bulk exports that one caller may have in all."""
    export_file_size: int = 10_000
    """Resources in one file of a bulk export."""

    rate_per_second: int = 200
    """Requests a second that one caller may make in the long run, each process; 0: no limit."""
    rate_burst: int = 1000
    """Requests that one caller may make at once before that counts; costly ones count as many."""
    requests_at_once: int = 64
    """Requests of one caller that are answered at the same time, each process; 0: no limit."""
    cors_origins: str = ""
    """Web pages that may call from a browser: `https://app.example https://b.example`, or `*`."""
    proxies: str = ""
    """Proxies besides this machine whose X-Forwarded-For and -Proto are believed: `10.0.0.0/24`."""
    tls_cert: str = ""
    """Certificate chain (PEM), to serve HTTPS without a proxy; with `tls_key`."""
    tls_key: str = ""
    """Private key of the certificate (PEM), readable by its owner alone."""

    session_idle_minutes: int = 30
    """After so long without use a person must sign in again."""
    session_hours: int = 12
    """How long a person stays signed in at most."""
    oidc_issuer: str = ""
    """The organisation's identity provider (OpenID Connect), where people sign in: `https://…`."""
    oidc_client_id: str = ""
    """What this service is called there."""
    oidc_client_secret: str = ""
    """Its secret there, where it has one; or in a file, `oidc_client_secret_file`."""
    oidc_client_secret_file: str = ""
    oidc_people: str = ""
    """JSON file: by which claims of the provider people have a role and are a Practitioner."""

    audit_spool: str = ""
    """Folder in which accesses wait for the audit log; else beside the SQLite file, or
    `./hyoid.accesses`."""

    break_glass: bool = False
    """Whether a person may see clients beyond their own where the header X-Purpose says why."""

    def fhir_base(self) -> str:
        """The FHIR base URL without a slash at its end: as set, else where it would be served."""
        return self.base_url.rstrip("/") or f"{origin(self.host, self.port, self.scheme)}/fhir"

    @property
    def scheme(self) -> str:
        """What the service itself speaks; a proxy in front may speak https for it."""
        return "https" if self.tls_cert else "http"


def origin(host: str, port: int, scheme: str = "http") -> str:
    """What to open on this machine where the service listens on `host`."""
    name = {"0.0.0.0": "127.0.0.1", "::": "::1", "": "127.0.0.1"}.get(host, host)
    return f"{scheme}://{f'[{name}]' if ':' in name and name[0] != '[' else name}:{port}"


def settings_from(environment: Mapping[str, str] = os.environ) -> Settings:
    """Read HYOID_* variables. Raises ValueError naming the variable that cannot be read."""
    found: dict[str, object] = {}
    for field in fields(Settings):
        name = f"HYOID_{field.name.upper()}"
        if name not in environment:
            continue
        text = environment[name]
        if isinstance(field.default, bool):
            if text.lower() not in ("true", "false"):
                raise ValueError(f"{name} must be true or false, not {text!r}")
            found[field.name] = text.lower() == "true"
        elif isinstance(field.default, int):
            if not text.isdecimal():
                raise ValueError(f"{name} must be a whole number, not {text!r}")
            found[field.name] = int(text)
        elif field.name == "access" and text not in get_args(Access):
            raise ValueError(f"{name} must be open or smart, not {text!r}")
        else:
            found[field.name] = text
    return Settings(**found)  # type: ignore[arg-type]
