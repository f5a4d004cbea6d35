"""Does an integrator get in as the example tells, and does it notice a service that is wrong?"""

from __future__ import annotations

import json
import runpy
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from joserfc.jwk import ECKey

from service.data import examples
from tests.live import hyoid_here, running_service


def _tell(
    *arguments: str, script: str = "integrator_access.py"
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", str(examples(script)), *arguments],
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


def test_with_a_library_for_oauth(smart: str, key: Path) -> None:
    for name, told in (("lakeside", "clients: "), ("reader", "a token for system/Patient.rs")):
        done = _tell(name, str(key), smart, script="integrator_authlib.py")
        assert done.returncode == 0, done.stdout + done.stderr
        assert told in done.stdout
    assert _tell("stranger", str(key), smart, script="integrator_authlib.py").returncode == 1
    assert _tell(script="integrator_authlib.py").returncode == 2


def test_the_library_renews_its_token(smart: str, key: Path) -> None:
    own = runpy.run_path(str(examples("integrator_authlib.py")))
    signing = ECKey.import_key(json.loads(key.read_text()))
    with own["session"](smart, "lakeside", signing, "system/Patient.rs") as client:
        first = client.token["access_token"]
        client.token["expires_at"] = 1
        assert client.get(f"{smart}/Patient").status_code == 200
        assert client.token["access_token"] != first


@pytest.mark.parametrize("name", ["stranger", "reader"])
def test_who_may_not_write_is_told(name: str, smart: str, key: Path) -> None:
    done = _tell("go", name, str(key), smart)
    assert done.returncode == 1
    assert "DISAGREEMENT" in done.stdout


def test_a_service_without_access_control_is_no_place_to_get_in(
    live_service: str, key: Path
) -> None:
    assert _tell("go", "lakeside", str(key), f"{live_service}/fhir").returncode == 1


def test_who_asks_wrongly_is_told_how() -> None:
    for arguments in ((), ("go",), ("go", "a", "b", "c", "d")):
        done = _tell(*arguments)
        assert done.returncode == 2
        assert "go lakeside lakeside.json [http://127.0.0.1:8000/fhir]" in done.stdout
        assert "at another address is named by the URL" in done.stdout
