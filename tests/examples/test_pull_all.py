"""Does the integrator's copy run against a real service, and does it notice what is wrong?"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.data import examples
from tests.examples.invented import sent
from tests.factories.clinical import observation, patient
from tests.live import running_service


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The FHIR base of a service of its own: the story counts everything."""
    path = tmp_path_factory.mktemp("copied") / "store.sqlite3"
    with running_service(f"sqlite:///{path}") as address, httpx.Client(timeout=60) as http:
        for bundle in sent()[:20]:
            http.post(f"{address}/fhir", json=bundle).raise_for_status()
        yield f"{address}/fhir"


def _tell(base: str, folder: Path) -> subprocess.CompletedProcess[str]:
    story = str(examples("integrator_pull_all.py"))
    return subprocess.run(
        [sys.executable, "-W", "error", story, base, str(folder)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def _ids(folder: Path, kind: str) -> set[str]:
    path = folder / f"{kind}.ndjson"
    return {json.loads(line)["id"] for line in path.read_text().splitlines()}


def test_a_copy_is_made_and_kept_up_to_date(base: str, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    with httpx.Client(base_url=base) as http:
        http.put("Patient/copied", json=patient("copied")).raise_for_status()
        for key in ("kept", "gone"):
            made = observation(key, "Patient/copied")
            http.put(f"Observation/{key}", json=made).raise_for_status()
        done = _tell(base, folder)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "everything" in done.stdout
        assert _ids(folder, "Observation") >= {"kept", "gone"}
        http.delete("Observation/gone").raise_for_status()
        made = observation("kept", "Patient/copied", value=7)
        http.put("Observation/kept", json=made).raise_for_status()
    done = _tell(base, folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 resources came, 1 were deleted" in done.stdout
    assert "kept" in _ids(folder, "Observation")
    assert "gone" not in _ids(folder, "Observation")


def test_a_copy_that_has_lost_something_is_a_disagreement(base: str, tmp_path: Path) -> None:
    assert _tell(base, tmp_path).returncode == 0
    path = tmp_path / "Patient.ndjson"
    path.write_text("".join(path.read_text().splitlines(keepends=True)[1:]))
    done = _tell(base, tmp_path)
    assert done.returncode == 1
    assert "DISAGREEMENT: Patient" in done.stdout
