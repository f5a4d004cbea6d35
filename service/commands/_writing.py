"""How is a file written so that its name never stands for half of it?

Under another name beside it, flushed to the disk, then renamed; POSIX rename(2) replaces whole.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from service.commands._telling import RefusedError


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A stream whose content gets the name `path` when the block ends well, else is removed."""
    try:
        descriptor, name = tempfile.mkstemp(
            prefix=f".{path.name}.", suffix=".part", dir=path.parent
        )
    except OSError as error:
        raise RefusedError(f"Cannot write to {path.parent}: {error.strerror}") from None
    part = Path(name)
    try:
        with os.fdopen(descriptor, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.chmod(0o666 & ~_umask())
        part.replace(path)
    except OSError as error:
        raise RefusedError(f"Cannot write {path}: {error.strerror}") from None
    finally:
        part.unlink(missing_ok=True)
    _flush_folder(path.parent)


def folder_at(path: Path) -> Path:
    """The folder, made where it is missing."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RefusedError(f"Cannot make the folder {path}: {error.strerror}") from None
    return path


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _flush_folder(path: Path) -> None:
    if os.name != "posix":
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
