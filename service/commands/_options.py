"""Which options do several commands share, and what do they set? See `service/settings.py`."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Annotated, Any

import typer

from service.commands._telling import MISUSED, RefusedError
from service.settings import Settings, settings_from

DEFAULTS = Settings()

DatabaseOption = Annotated[
    str | None,
    typer.Option(
        "--database",
        metavar="URL",
        help="Where the store is: sqlite:///FILE or postgresql://USER@HOST/NAME."
        f" Default: HYOID_DATABASE, else {DEFAULTS.database}.",
        show_default=False,
    ),
]

KeyFileOption = Annotated[
    str | None,
    typer.Option(
        "--key-file",
        metavar="FILE",
        help="Secret that keys in the database are encrypted with; made where there is none."
        " Default: HYOID_KEY_FILE, else beside the SQLite file, else hyoid.key.",
        show_default=False,
    ),
]


def settings_with(**given: Any) -> Settings:
    """The settings of the environment, with those options that were given (are not None)."""
    try:
        settings = settings_from()
    except ValueError as error:
        raise RefusedError(str(error), MISUSED) from None
    return replace(settings, **{name: value for name, value in given.items() if value is not None})


def as_environment(settings: Settings) -> dict[str, str]:
    """The HYOID_* variables that `settings_from` reads back as these settings."""
    values = {field.name: getattr(settings, field.name) for field in fields(settings)}
    return {
        f"HYOID_{name.upper()}": str(value).lower() if isinstance(value, bool) else str(value)
        for name, value in values.items()
    }


def base_of(settings: Settings) -> str:
    """The FHIR base URL without a slash at its end: as set, else where it would be served."""
    return settings.fhir_base()
