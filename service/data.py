"""Where do the data files lie? In a checkout at the top level, in a wheel inside the package."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_ROOT = _PACKAGE / "_data" if (_PACKAGE / "_data").is_dir() else _PACKAGE.parent


def mappings(*parts: str) -> Path:
    """Path of a file or folder below mappings/."""
    return _ROOT.joinpath("mappings", *parts)


def examples(*parts: str) -> Path:
    """Path of a file or folder below examples/."""
    return _ROOT.joinpath("examples", *parts)
