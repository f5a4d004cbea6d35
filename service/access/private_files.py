"""Can others on this machine read this file, or put another in its place?

Others may read nothing of a secret. As PostgreSQL does for its own key, one that belongs to root
may be read by a group: so it is given to a service that runs as somebody else.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path


def require_private(path: Path) -> None:
    """Raise ValueError where others than its owner can read or change the file."""
    _require(path, 0o077)


def require_unforged(path: Path) -> None:
    """Raise ValueError where others than its owner can change the file; all may read it."""
    _require(path, 0o022)


def _require(path: Path, barred: int) -> None:
    if os.name != "posix":
        return
    try:
        told = path.stat()
        folders = {path.absolute().parent, path.resolve().parent}
        around = [(folder, folder.stat()) for folder in sorted(folders)]
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror}") from None
    here = os.geteuid()
    trusted = (0, here)
    if told.st_uid not in trusted:
        raise ValueError(f"{path} belongs to another user")
    if told.st_uid != here:
        barred &= ~stat.S_IRGRP
    if stat.S_IMODE(told.st_mode) & barred:
        wanted = "chmod 600" if barred & stat.S_IROTH else "chmod go-w"
        raise ValueError(f"{path} can be reached by others than its owner: {wanted} {path}")
    for folder, about in around:
        if about.st_uid not in trusted:
            raise ValueError(f"the folder {folder} belongs to another user")
        if about.st_mode & stat.S_IWOTH and not about.st_mode & stat.S_ISVTX:
            raise ValueError(f"others may replace files in {folder}: chmod o-w {folder}")
