"""hyoid load with session notes: tables and JSON, on both engines."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from random import Random
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.data import examples
from service.standard.search_query import parse_search
from service.store.searching import find
from service.store.store import Store
from tests.intake.counted import counted
from tests.intake.month import Row, month, table, totals
from tests.live import hyoid_here as hyoid

Json = dict[str, Any]

IDS = "https://loaded.example/ids/"
PEOPLE: list[Json] = [
    {
        "resourceType": "Patient",
        "id": "p1",
        "identifier": [{"system": f"{IDS}client", "value": "C-1"}],
    },
    {
        "resourceType": "Practitioner",
        "id": "t1",
        "identifier": [{"system": f"{IDS}staff", "value": "T-1"}],
    },
]


def _load(store: Store, *paths: Path) -> tuple[int, str, list[str]]:
    done = hyoid("load", *map(str, paths), "--clinic", IDS, "--database", store.database.url)
    lines = [line for line in done.stdout.splitlines() if "session" in line]
    return done.returncode, lines[-1] if lines else "", done.stderr.splitlines()


def _people(folder: Path) -> Path:
    path = folder / "people.ndjson"
    path.write_text("\n".join(json.dumps(one) for one in PEOPLE))
    return path


def _table(folder: Path, name: str, rows: list[Row]) -> Path:
    path = folder / name
    path.write_bytes(table(rows).encode())
    return path


def _counted(store: Store) -> Any:
    def fetch(kind: str) -> list[Json]:
        query = parse_search(kind, [("patient", "p1")], strict=True)
        with store.reader() as connection:
            found = find(connection, ANONYMOUS, query, limit=10_000)
        return [json.loads(one.body or b"") for one in found]

    return counted(fetch)


def test_a_table_is_loaded_once_however_often_and_in_whatever_order(
    store: Store, tmp_path: Path
) -> None:
    rows = list(month(IDS, 70))
    whole = _table(tmp_path, "month.csv", rows)
    half = _table(tmp_path, "half.csv", rows[: len(rows) // 2])
    shuffled = rows[:]
    Random(1).shuffle(shuffled)
    mixed = _table(tmp_path, "mixed.csv", shuffled)
    exit_code, told, complaints = _load(store, _people(tmp_path), half)
    assert (exit_code, complaints) == (0, [])
    assert " 0 refused" in told
    exit_code, told, _ = _load(store, whole)
    assert exit_code == 0
    assert _counted(store) == totals(rows)
    exit_code, told, _ = _load(store, mixed, whole)
    assert told == "140 sessions: 0 stored, 0 corrected, 140 unchanged, 0 refused"
    assert _counted(store) == totals(rows)


def test_faults_are_named_with_file_row_and_column(store: Store, tmp_path: Path) -> None:
    rows = list(month(IDS, 60))
    at = next(place for place, row in enumerate(rows) if row["measure"] and place > 50)
    rows[at] = rows[at].with_cell("value", "140 %")
    path = _table(tmp_path, "month.csv", rows)
    exit_code, told, complaints = _load(store, _people(tmp_path), path)
    assert exit_code == 1
    assert told == "60 sessions: 59 stored, 0 corrected, 0 unchanged, 1 refused"
    session = rows[at]["session"]
    assert complaints == [
        f"{path}: session {session}: row {at + 2}, column value: '140 %' is no number"
    ]
    assert _counted(store) == totals(row for row in rows if row["session"] != session)


def test_notes_in_json_are_loaded(store: Store, tmp_path: Path) -> None:
    note = {"session": "J-1", "client": "C-1", "start": "2025-11-02T09:00:00Z", "note": "well"}
    path = tmp_path / "z-notes.json"
    path.write_text(json.dumps({"clinic": {"identifiers": IDS}, "sessions": [note]}))
    exit_code, told, complaints = _load(store, _people(tmp_path), path)
    assert (exit_code, complaints) == (0, [])
    assert told == "1 session: 1 stored, 0 corrected, 0 unchanged, 0 refused"


def test_a_table_that_cannot_be_read_is_told(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text("session,client,start,mood\nS,C,x,y\n")
    exit_code, _, complaints = _load(store, path)
    assert exit_code == 1
    assert complaints == [f"{path}: row 1, column mood: There is no column 'mood'"]


@pytest.mark.parametrize(
    ("option", "said"), [("--time-zone", "Atlantis"), ("--date-format", "%d%d")]
)
def test_an_option_that_cannot_be_is_told(
    sqlite_url: str, tmp_path: Path, option: str, said: str
) -> None:
    path = _table(tmp_path, "month.csv", list(month(IDS, 1)))
    done = hyoid("load", str(path), option, said, "--database", sqlite_url)
    assert done.returncode == 2
    assert option in done.stderr
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_story_of_the_clinic_can_be_told_twice(origin: str) -> None:
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-W", "error", str(examples("clinic_notes.py")), origin],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stdout.endswith("once is once\n")
