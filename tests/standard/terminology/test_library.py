"""Which version is meant? The newest active one."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from service.data import mappings
from service.standard.terminology.library import rank
from service.standard.terminology.shipped import Shelf, read_shelf
from tests import official
from tests.standard.terminology.made import SWALLOW, tree


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ({"version": "1.9"}, {"version": "1.10"}),
        ({"version": "2.0", "status": "draft"}, {"version": "1.0"}),
        ({"version": "2.0", "status": "retired"}, {"version": "1.0", "status": "draft"}),
        ({"version": "2026-01-31"}, {"version": "2026-11-01"}),
        ({}, {"version": "1"}),
        ({"version": "1.0"}, {"version": "1.0.1"}),
    ],
)
def test_newer_versions_rank_higher(older: dict[str, str], newer: dict[str, str]) -> None:
    assert rank({"status": "active"} | older) < rank({"status": "active"} | newer)


def test_without_a_version_the_newest_active_one_is_meant() -> None:
    library = Shelf(
        [tree(version="1.2"), tree(version="1.10"), tree(version="3.0", status="draft")]
    )
    found = library.code_system(SWALLOW)
    assert found is not None
    assert found.version == "1.10"
    draft = library.code_system(SWALLOW, "3.0")
    assert draft is not None
    assert library.code_system(SWALLOW, "4.0") is None


def test_a_file_that_is_added_is_there(tmp_path: Path) -> None:
    root = tmp_path / "mappings"
    for folder in ("r4", "code-systems", "value-sets", "concept-maps"):
        shutil.copytree(mappings(folder), root / folder)
    (root / "code-systems" / "mine.json").write_text(json.dumps(tree()), "utf-8")
    found = read_shelf(root).code_system(SWALLOW)
    assert found is not None
    assert found.find("hold")


def test_compiling_again_gives_the_committed_tables(tmp_path: Path) -> None:
    """Source: the official package."""
    script = str(mappings("r4", "compile_codes.py"))
    command = [sys.executable, script, str(official.path()), "--into", str(tmp_path)]
    ran = subprocess.run(command, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    for name in ("code-systems.json", "value-sets.json"):
        assert (tmp_path / name).read_bytes() == mappings("r4", name).read_bytes(), name
