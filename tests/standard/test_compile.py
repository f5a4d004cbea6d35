"""Are the committed tables what the official package says today?"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from service.data import mappings
from tests import official

TABLES = (
    "bindings.json",
    "compartment.json",
    "elements.json",
    "invariants.json",
    "parameter-numbers.json",
    "primitives.json",
    "search-parameters.json",
)


def compile_again(into: Path, scripts: Path) -> None:
    """Run the script as a person would."""
    command = [sys.executable, str(scripts / "compile.py"), str(official.path())]
    ran = subprocess.run([*command, "--into", str(into)], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr


def copied_scripts(folder: Path) -> Path:
    """The folder of the tables, to be changed freely."""
    return Path(shutil.copytree(mappings("r4"), folder / "r4"))


def test_compiling_again_gives_the_committed_tables(tmp_path: Path) -> None:
    compile_again(tmp_path, mappings("r4"))
    for name in TABLES:
        assert (tmp_path / name).read_bytes() == mappings("r4", name).read_bytes(), name
    assert {path.name for path in tmp_path.iterdir()} == set(TABLES)


def test_numbers_are_kept_and_new_ones_appended(tmp_path: Path) -> None:
    scripts = copied_scripts(tmp_path)
    ledger = json.loads((scripts / "parameter-numbers.json").read_text("utf-8"))
    without = [key for key in ledger if key != "Observation?code"]
    reordered = ["Retired?parameter", *reversed(without)]
    (scripts / "parameter-numbers.json").write_text(json.dumps(reordered), "utf-8")

    compile_again(scripts, scripts)

    after = json.loads((scripts / "parameter-numbers.json").read_text("utf-8"))
    assert after == [*reordered, "Observation?code"]
    parameters = json.loads((scripts / "search-parameters.json").read_text("utf-8"))
    assert parameters["Observation"]["code"]["number"] == len(after)
    assert parameters["Patient"]["_id"]["number"] == after.index("Patient?_id") + 1


def test_ledger_names_each_parameter_once() -> None:
    ledger = json.loads(mappings("r4", "parameter-numbers.json").read_text("utf-8"))
    assert len(ledger) == len(set(ledger))
    assert len(ledger) < 2**31


@pytest.mark.parametrize("part", ["elements", "search-parameters", "left-out"])
def test_every_correction_has_a_reason_and_a_place(part: str) -> None:
    overlay = json.loads(mappings("r4", "overlay.json").read_text("utf-8"))
    names = {body["id"] for body in official.resources("SearchParameter")}
    for name, entry in overlay[part].items():
        reason = entry if isinstance(entry, str) else entry["reason"]
        assert len(reason) > 20, name
        assert part == "elements" or name in names, f"{name} is not in the package any more"


def test_source_names_the_package_that_was_read() -> None:
    import hashlib

    digest = hashlib.sha256(official.path().read_bytes()).hexdigest()
    assert digest in mappings("r4", "SOURCE.md").read_text("utf-8")
