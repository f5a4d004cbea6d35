"""How does a command get at the secret that signing keys are encrypted with?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from service.commands._telling import MISUSED, RefusedError, say
from service.settings import Settings

if TYPE_CHECKING:
    from service.access.key_file import KeyFile
    from service.store.engine import Database


def required_secrets(database: Database, settings: Settings, *, anew: bool = False) -> KeyFile:
    """The secret of the store; told where the file is, where it was made. Raises RefusedError."""
    from service.access.key_file import place_of
    from service.access.signing import opened_secrets

    try:
        path = place_of(settings)
        missing = not path.exists()
        secrets = opened_secrets(database, settings, anew=anew)
    except ValueError as error:
        raise RefusedError(str(error), MISUSED) from None
    if missing:
        say(
            f"Made {path}: with it the keys in the database are encrypted. Keep a copy, apart from"
            " those of the database"
        )
    return secrets
