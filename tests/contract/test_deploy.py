"""Do the files for running the service for real start it, and keep what it asks for?

What `hyoid serve` refuses is in `service/commands/_safety.py`; files that it would refuse, or that
set what is no setting, are of no use.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import fields
from pathlib import Path

import pytest

from service.commands._connections import BoundedProtocol
from service.commands._safety import CIPHERS, require_safe
from service.settings import Settings, settings_from
from tests.live import ROOT

DEPLOY = ROOT / "deploy"
FILES = sorted(
    path for folder in ("container", "proxy", "systemd") for path in (DEPLOY / folder).iterdir()
)
_OF_COMPOSE = {"HYOID_PASSWORD"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_settings_are_those_of_the_service(path: Path) -> None:
    known = {f"HYOID_{field.name.upper()}" for field in fields(Settings)} | _OF_COMPOSE
    assert set(re.findall(r"\bHYOID_[A-Z_]+", path.read_text())) <= known


def test_the_container_is_safe_behind_a_proxy_and_refused_without() -> None:
    compose = (DEPLOY / "container/compose.yaml").read_text()
    found = dict(re.findall(r"^    (HYOID_\w+): (.+)$", compose, re.MULTILINE))
    assert found["HYOID_BASE_URL"].startswith("${HYOID_BASE_URL:?"), "compose asks for it"
    proxies = found["HYOID_PROXIES"].removeprefix("${HYOID_PROXIES:-").removesuffix("}")
    assert f"gateway: {proxies}" in compose
    image = (DEPLOY / "container/Containerfile").read_text()
    host = re.search(r"^ENV HYOID_HOST=(.+)$", image, re.MULTILINE)
    assert host is not None
    given = {
        "HYOID_HOST": host[1],
        "HYOID_PROXIES": proxies,
        "HYOID_DATABASE": "postgresql://hyoid@database/hyoid",
    }
    require_safe(
        settings_from(given | {"HYOID_BASE_URL": "https://clinic.example/fhir"}), only_here=False
    )
    for unsafe in ({}, {"HYOID_BASE_URL": "http://clinic.example/fhir"}):
        with pytest.raises(Exception, match=r"unencrypted|without encryption"):
            require_safe(settings_from(given | unsafe), only_here=False)
    assert 'ports: ["127.0.0.1:8000:8000"]' in compose
    # What must outlive the container: the secret of the keys, and accesses that wait to be logged.
    assert 'volumes: ["state:/var/lib/hyoid"]' in compose
    assert found["HYOID_KEY_FILE"].startswith("/var/lib/hyoid/")
    assert image.count("WORKDIR /var/lib/hyoid\n") == 1


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="there is no systemd")
def test_systemd_understands_the_unit(tmp_path: Path) -> None:
    text = (DEPLOY / "systemd/hyoid.service").read_text()
    unit = tmp_path / "hyoid.service"
    unit.write_text(text.replace("/opt/hyoid/bin/hyoid", "/bin/true"))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_the_proxy_is_as_strict_as_the_service() -> None:
    proxy = (DEPLOY / "proxy/nginx.conf").read_text()
    assert f"ssl_ciphers {CIPHERS};" in proxy
    assert "ssl_protocols TLSv1.2 TLSv1.3;" in proxy
    assert f"client_max_body_size {Settings().max_body // 2**20}m;" in proxy
    assert f"client_header_timeout {BoundedProtocol.head_seconds:.0f}s;" in proxy
    lines = BoundedProtocol.head_bytes // 2**10 // 2
    assert f"large_client_header_buffers 2 {lines}k;" in proxy
    # What a client says of itself is replaced, not added to.
    assert "proxy_set_header X-Forwarded-For $remote_addr;" in proxy
    assert "$proxy_add_x_forwarded_for" not in proxy
