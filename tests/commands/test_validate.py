"""hyoid validate: every issue with its place."""

from __future__ import annotations

import json
from pathlib import Path

from service.commands._places import line_of, lines_of
from tests.live import hyoid_here as hyoid

NARRATIVE = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'}
PATIENT = {"resourceType": "Patient", "id": "a", "text": NARRATIVE}
OBSERVATION = """{
  "resourceType": "Observation",
  "status": "bogus",
  "code": {"text": "tongue strength"},
  "component": [
    {"code": {"text": "left"}, "valueString": "[{:,"},
    {"valueString": "weak"}
  ]
}
"""


def test_issues_are_told_with_file_line_and_element(tmp_path: Path) -> None:
    path = tmp_path / "observation.json"
    path.write_text(OBSERVATION)
    done = hyoid("validate", str(path))
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    assert any(line.startswith(f"{path}:3: error: Observation.status: ") for line in lines)
    assert any(line.startswith(f"{path}:7: error: Observation.component[1].code") for line in lines)


def test_valid_files_are_fine(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text(json.dumps(PATIENT))
    (tmp_path / "b.ndjson").write_text(f"{json.dumps(PATIENT)}\r\n\n{json.dumps(PATIENT)}")
    (tmp_path / "ignored.txt").write_text("no FHIR")
    done = hyoid("validate", str(tmp_path))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "Checked 3 resources in 2 files: 0 errors, 0 warnings\n"


def test_line_of_ndjson_is_named(tmp_path: Path) -> None:
    path = tmp_path / "patients.ndjson"
    path.write_text(f'{json.dumps(PATIENT)}\n{{"resourceType":"Patient","gender":"x"}}\n{{"a":\n')
    done = hyoid("validate", str(path))
    assert done.returncode == 1
    assert f"{path}:2: error: Patient.gender: " in done.stdout
    assert f"{path}:3: error: line 1, column " in done.stdout


def test_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    done = hyoid("validate", str(tmp_path / "missing.json"))
    assert (done.returncode, done.stdout) == (1, "")
    assert "no such file" in done.stderr


def test_standard_input_is_read_as_ndjson() -> None:
    done = hyoid("validate", "-", stdin=json.dumps(PATIENT))
    assert done.stdout == "Checked 1 resource in 1 file: 0 errors, 0 warnings\n"


def test_place_of_an_element_is_found_by_its_path() -> None:
    lines = lines_of(OBSERVATION)
    assert line_of(lines, "Observation") == 1
    assert line_of(lines, "Observation.code.text") == 4
    assert line_of(lines, "Observation.component[1].valueString") == 7
    assert line_of(lines, "Observation.component[0].code") == 6
    assert line_of(lines, "Observation.component.where(true)") == 5
    assert line_of(lines, "Observation.subject") == 1
