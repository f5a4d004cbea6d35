"""Does an integrator get in as the example tells, and does it notice a service that is wrong?"""

from __future__ import annotations

import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.data import examples
from tests.live import hyoid_here, running_service


def _tell(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", str(examples("integrator_access.py")), *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("integrator") / "lakeside.json"
    assert _tell("key", str(file)).returncode == 0
    return file


@pytest.fixture(scope="module")
def smart(tmp_path_factory: pytest.TempPathFactory, key: Path) -> Iterator[str]:
    """A service with access control where the system of the example is registered."""
    url = f"sqlite:///{tmp_path_factory.mktemp('smart') / 'store.sqlite3'}"
    public = key.with_suffix(".jwks.json")
    for name, scope in (("lakeside", "system/*.cruds"), ("reader", "system/*.rs")):
        done = hyoid_here(
            *("client", "add", name, "--scope", scope, "--jwks", str(public), "--database", url)
        )
        assert done.returncode == 0, done.stderr
    with running_service(url, access="smart") as base:
        yield f"{base}/fhir"


def test_the_private_key_stays_private(key: Path) -> None:
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert '"d"' not in key.with_suffix(".jwks.json").read_text()
    again = _tell("key", str(key))
    assert again.returncode != 0


def test_from_the_key_to_the_first_bundle_and_once_is_once(smart: str, key: Path) -> None:
    for stored in ("201 Created, 201 Created", "200 OK, 200 OK"):
        done = _tell("go", "lakeside", str(key), smart)
        assert done.returncode == 0, done.stdout + done.stderr
        assert f"stored: {stored}" in done.stdout
        assert "both tokens given back" in done.stdout


@pytest.mark.parametrize("name", ["stranger", "reader"])
def test_who_may_not_write_is_told(name: str, smart: str, key: Path) -> None:
    done = _tell("go", name, str(key), smart)
    assert done.returncode == 1
    assert "DISAGREEMENT" in done.stdout


def test_a_service_without_access_control_is_no_place_to_get_in(
    live_service: str, key: Path
) -> None:
    assert _tell("go", "lakeside", str(key), f"{live_service}/fhir").returncode == 1
