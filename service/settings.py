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
    page_size: int = 50
    """Resources on a page of a search where the client does not say."""
    max_page_size: int = 1000
    """Most resources on a page, whatever the client says."""
    time_zone: str = ""
    """Zone of the clinic for session notes whose times have none: `-07:00`, `America/Phoenix`."""
    clinic: str = ""
    """What the clinic's numbers start with, for session notes that do not say: `https://…/ids/`."""
    read_seconds: int = 30
    """Longest time for a search or another read; then it is refused as too costly."""
    threads: int = 16
    """Threads that write and search, for each process."""


def settings_from(environment: Mapping[str, str] = os.environ) -> Settings:
    """Read HYOID_* variables. Raises ValueError naming the variable that cannot be read."""
    found: dict[str, object] = {}
    for field in fields(Settings):
        name = f"HYOID_{field.name.upper()}"
        if name not in environment:
            continue
        text = environment[name]
        if isinstance(field.default, int):
            if not text.isdecimal():
                raise ValueError(f"{name} must be a whole number, not {text!r}")
            found[field.name] = int(text)
        elif field.name == "access" and text not in get_args(Access):
            raise ValueError(f"{name} must be open or smart, not {text!r}")
        else:
            found[field.name] = text
    return Settings(**found)  # type: ignore[arg-type]
