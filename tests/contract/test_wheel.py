"""Does what is published work by itself, outside the checkout?

The wheel is built, installed into an empty environment with exactly the distributions that its
metadata asks for (taken from the environment of the tests, so no network is needed), and
`hyoid demo` is run from another folder.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
import urllib.request
import venv
import zipfile
from importlib.metadata import Distribution, distribution, distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.live import ROOT, free_port, running

pytest.importorskip("hatchling")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (built,) = folder.glob("hyoid-*.whl")
    return built


def test_wheel_holds_code_data_and_the_demo_clinic(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    for folder in ("mappings", "examples"):
        here = {
            f"service/_data/{path.relative_to(ROOT).as_posix()}"
            for path in (ROOT / folder).rglob("*")
            if path.is_file() and not _is_by_product(path)
        }
        assert here <= names
    assert any(name.startswith("service/store/migrations/versions/2026") for name in names)
    assert "service/py.typed" in names


def test_wheel_holds_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert {name.split("/")[0] for name in names} == {"service", "hyoid-0.1.0.dist-info"}
    assert not [name for name in names if "__pycache__" in name or "/tests/" in name]


def test_demo_runs_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    environment = tmp_path / "environment"
    venv.create(environment, with_pip=False, symlinks=True)
    _install(wheel, environment)
    port = free_port()
    command = [str(environment / "bin" / "hyoid"), "demo", "--port", str(port)]
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    with running(command, port, cwd=elsewhere) as base:
        with urllib.request.urlopen(f"{base}/fhir/metadata", timeout=10) as answer:
            assert json.load(answer)["fhirVersion"] == "4.0.1"
        with urllib.request.urlopen(f"{base}/health/live", timeout=10) as answer:
            assert answer.status == 200
        assert _first_patient(base)["resourceType"] == "Patient"
    assert not list(elsewhere.iterdir())


def _is_by_product(path: Path) -> bool:
    parts = path.relative_to(ROOT).parts
    return any(part == "__pycache__" or part.startswith(".") for part in parts)


def _first_patient(base: str) -> dict[str, object]:
    for _ in range(100):
        with urllib.request.urlopen(f"{base}/fhir/Patient?_count=1", timeout=10) as answer:
            found = json.load(answer).get("entry", [])
        if found:
            patient: dict[str, object] = found[0]["resource"]
            return patient
        time.sleep(0.1)
    raise AssertionError("the demo clinic was not loaded")


def _install(wheel: Path, environment: Path) -> None:
    python = environment / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--python", str(python), "--disable-pip-version-check"]
    subprocess.run(
        [*pip, "install", "--quiet", "--no-deps", "--no-index", str(wheel)],
        check=True,
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
    )
    (packages,) = environment.glob("lib/python*/site-packages")
    (installed,) = distributions(name="hyoid", path=[str(packages)])
    for found in _needed(installed, {}).values():
        _link(found, packages)


def _needed(asking: Distribution, found: dict[str, Distribution]) -> dict[str, Distribution]:
    """What it asks for without extras, and what that asks for, and so on."""
    for text in asking.requires or []:
        requirement = Requirement(text)
        name = re.sub(r"[-_.]+", "-", requirement.name).lower()
        wanted = requirement.marker is None or requirement.marker.evaluate({"extra": ""})
        if wanted and name not in found:
            found[name] = distribution(name)
            _needed(found[name], found)
    return found


def _link(found: Distribution, packages: Path) -> None:
    for file in found.files or []:
        if ".." in file.parts:
            continue
        target = packages / file
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            target.symlink_to(Path(str(file.locate())).resolve())
