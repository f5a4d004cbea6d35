"""Where does the secret lie that signing keys are encrypted with? In a file, not in the database.

Whoever has a copy of the database, or may read it, has no key to sign with; whoever has the file
alone has none either. The file is looked at again where it was changed, so that the secret can be
replaced while the service runs.
"""

from __future__ import annotations

import os
import secrets
import threading
from contextlib import suppress
from pathlib import Path

from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from service.access.private_files import require_private
from service.access.sealing import SealError, Secrets, new_secret, secrets_in
from service.settings import Settings

_Mark = tuple[int, int, int]


class KeyFile:
    """The secrets of the file, as one process sees them."""

    def __init__(self, path: Path) -> None:
        """Raises ValueError where there is none, where it is none, or where others read it."""
        self.path = path
        self._lock = threading.Lock()
        self._mark = _mark_of(path)
        self._secrets = _read(path)

    def sealed(self, text: str) -> str:
        """The text, encrypted with the newest secret. Raises SealError where the file is bad."""
        self._look()
        return self._secrets.sealed(text)

    def opened(self, sealed: str) -> str:
        """What was sealed. Raises SealError."""
        try:
            return self._secrets.opened(sealed)
        except SealError:
            self._look()
            return self._secrets.opened(sealed)

    def add(self) -> None:
        """Seal with a new secret from now on; what older ones sealed is opened all the same."""
        self._keep(Secrets((new_secret(), *self._secrets.keys)))

    def drop_old(self) -> None:
        """Open from now on what the newest secret sealed, and nothing else."""
        self._keep(Secrets(self._secrets.keys[:1]))

    def _keep(self, found: Secrets) -> None:
        try:
            os.replace(_written(self.path, found), self.path)
        except OSError as error:
            raise SealError(f"{self.path} cannot be written: {error.strerror}") from None
        self._look()

    def _look(self) -> None:
        with self._lock:
            try:
                mark = _mark_of(self.path)
                if mark != self._mark:
                    self._mark, self._secrets = mark, _read(self.path)
            except ValueError as error:
                raise SealError(str(error)) from None


def place_of(settings: Settings) -> Path:
    """Where the file is: as set, else beside an SQLite file, else in this folder.

    Raises ValueError where the database has no URL that can be read.
    """
    if settings.key_file:
        return Path(settings.key_file)
    try:
        url = make_url(settings.database)
    except ArgumentError:
        raise ValueError("the store has no URL that can be read") from None
    if url.get_backend_name() != "sqlite" or not url.database:
        return Path("hyoid.key")
    return Path(f"{url.database}.key")


def made_key_file(path: Path) -> bool:
    """Make the file, with a new secret, for its owner alone; False where it is there already.

    Raises ValueError where it cannot be made.
    """
    try:
        beside = _written(path, Secrets((new_secret(),)))
    except OSError as error:
        raise ValueError(f"{path} cannot be made: {error.strerror}") from None
    try:
        # A link, unlike a new name, never takes the place of what another process has just made.
        os.link(beside, path)
    except FileExistsError:
        return False
    except OSError as error:
        raise ValueError(f"{path} cannot be made: {error.strerror}") from None
    finally:
        beside.unlink()
    _flush(path.parent)
    return True


def _written(path: Path, found: Secrets) -> Path:
    beside = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as stream:
        stream.write(found.as_text())
        stream.flush()
        os.fsync(stream.fileno())
    return beside


def _flush(folder: Path) -> None:
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _read(path: Path) -> Secrets:
    require_private(path)
    try:
        return secrets_in(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror}") from None
    except ValueError as error:
        raise ValueError(f"{path}: {error}") from None


def _mark_of(path: Path) -> _Mark:
    try:
        told = path.stat()
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror}") from None
    return told.st_ino, told.st_size, told.st_mtime_ns
