"""Does the handover story run between two real services, and does it notice what is wrong?"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import httpx
import pytest

from service.data import examples
from tests.examples.invented import sent
from tests.live import running_service

CLIENTS = ["C-1041", "C-1049", "C-1053", "C-1057", "C-1062", "C-1070"]


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """A service with the invented clinic, and an empty one."""
    path = tmp_path_factory.mktemp("handover")
    with (
        running_service(f"sqlite:///{path / 'source.sqlite3'}") as source,
        running_service(f"sqlite:///{path / 'receiver.sqlite3'}") as receiver,
        httpx.Client(timeout=60) as http,
    ):
        for bundle in sent():
            http.post(f"{source}/fhir", json=bundle).raise_for_status()
        yield f"{source}/fhir", f"{receiver}/fhir"


def _tell(*arguments: str) -> subprocess.CompletedProcess[str]:
    story = str(examples("integrator_handover.py"))
    return subprocess.run(
        [sys.executable, "-W", "error", story, *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.parametrize("number", CLIENTS)
def test_a_client_is_handed_over(services: tuple[str, str], number: str) -> None:
    done = _tell(*services, number)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "handed over" in done.stdout
    assert "complete in itself" in done.stdout
    found = httpx.get(f"{services[1]}/Patient", params={"identifier": number}).json()
    assert found["total"] == 1


def test_a_client_who_is_not_there_is_a_disagreement(services: tuple[str, str]) -> None:
    done = _tell(*services, "nobody")
    assert done.returncode == 1
    assert "DISAGREEMENT" in done.stdout
