"""Which modes of a file let others read or change it? As a table, and the same for every file.

What belongs to root and may be read by a group is taken by who is not root: the rule of PostgreSQL
for its own key ("Secure TCP/IP Connections with SSL", from memory). Tests may run as root, so the
user is put in place.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from service.access.private_files import require_private, require_unforged

MODES = (0o600, 0o400, 0o640, 0o440, 0o660, 0o620, 0o644, 0o444, 0o604, 0o602, 0o777, 0o700, 0o610)


@pytest.mark.parametrize(
    ("required", "roots", "taken"),
    [
        (require_private, False, {0o600, 0o400, 0o700}),
        (require_private, True, {0o600, 0o400, 0o700, 0o640, 0o440}),
        (require_unforged, False, {0o600, 0o400, 0o700, 0o640, 0o440, 0o644, 0o444, 0o604, 0o610}),
    ],
)
def test_modes(
    required: Callable[[Path], None],
    roots: bool,
    taken: set[int],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    file = tmp_path / "secret"
    file.touch()
    found = set()
    for mode in MODES:
        file.chmod(mode)
        with monkeypatch.context() as patched:
            if roots:
                _is_of_root(patched)
            told = _told(required, file)
        if not told:
            found.add(mode)
        else:
            wanted = "chmod 600" if required is require_private else "chmod go-w"
            assert f"{wanted} {file}" in told
    assert found == taken


def _told(required: Callable[[Path], None], file: Path) -> str:
    try:
        required(file)
    except ValueError as refusal:
        return str(refusal)
    return ""


def _is_of_root(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything here belongs to root, and we are somebody else."""
    real = Path.stat

    def stat(path: Path, **options: bool) -> os.stat_result:
        told = list(real(path, **options))
        told[4] = 0
        return os.stat_result(told)

    monkeypatch.setattr(Path, "stat", stat)
    monkeypatch.setattr(os, "geteuid", lambda: 1234)


def test_it_belongs_to_us_or_to_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "secret"
    file.touch(0o600)
    owner = file.stat().st_uid
    monkeypatch.setattr(os, "geteuid", lambda: owner + 1)
    if owner == 0:
        require_private(file)
        os.chown(file, 4321, -1)
    with pytest.raises(ValueError, match="belongs to another user"):
        require_private(file)


def test_nobody_can_put_another_in_its_place(tmp_path: Path) -> None:
    folder = tmp_path / "open"
    folder.mkdir()
    file = folder / "secret"
    file.touch(0o600)
    link = tmp_path / "link"
    link.symlink_to(file)
    for mode, fits in ((0o777, False), (0o1777, True), (0o755, True), (0o702, False)):
        folder.chmod(mode)
        for path in (file, link):
            if fits:
                require_private(path)
                continue
            with pytest.raises(ValueError, match="may replace files"):
                require_private(path)


def test_what_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="No such file"):
        require_private(tmp_path / "none")
