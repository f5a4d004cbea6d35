"""hyoid load: what is stored, what is refused, and how that is told; on both engines."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.commands._bundles import as_transaction, handling_of, resources_of
from service.errors import HyoidError, NotFound
from service.store.store import Store
from tests.live import hyoid_here as hyoid

PATIENT = {"resourceType": "Patient", "id": "p1", "active": True}
OBSERVATION = (
    '{"resourceType":"Observation","id":"o%d","status":"final","code":{"text":"tongue strength"},'
    '"subject":{"reference":"Patient/p1"},"valueQuantity":{"value":31.50,"unit":"kPa",'
    '"system":"http://unitsofmeasure.org","code":"kPa"}}'
)


def _load(store: Store, *paths: Path) -> tuple[int, list[str], list[str]]:
    done = hyoid("load", *map(str, paths), "--database", store.database.url)
    return done.returncode, done.stdout.splitlines(), done.stderr.splitlines()


def _body(store: Store, kind: str, key: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(store.read(ANONYMOUS, kind, key).body or b"")
    return found


def _write(path: Path, value: object) -> Path:
    path.write_text(value if isinstance(value, str) else json.dumps(value))
    return path


def test_resources_of_a_folder_are_stored(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    (folder / "deeper").mkdir(parents=True)
    _write(folder / "patient.json", PATIENT)
    lines = "\n".join(OBSERVATION % number for number in range(450))
    _write(folder / "deeper" / "observations.ndjson", lines)
    _write(folder / "README.md", "not for us")
    exit_code, told, complaints = _load(store, folder)
    assert (exit_code, complaints) == (0, [])
    assert told[-1].startswith("Stored 451 resources from 2 files in ")
    assert _body(store, "Patient", "p1")["active"] is True
    stored = store.read(ANONYMOUS, "Observation", "o449").body or b""
    assert b'"value":31.50,' in stored


def test_refused_records_are_named_and_the_others_stored(store: Store, tmp_path: Path) -> None:
    bad = [
        '{"resourceType":"Observation","id":"x","status":"bogus","code":{"text":"t"}}',
        '{"resourceType":"Claim","id":"c"}',
        '{"resourceType":"Patient","id":"p","active":tru}',
        "[]",
    ]
    path = _write(tmp_path / "in.ndjson", "\n".join([OBSERVATION % 1, *bad, "", OBSERVATION % 2]))
    exit_code, told, complaints = _load(store, path)
    assert exit_code == 1
    assert complaints[0].startswith(f"{path}:2: Observation.status: ")
    assert complaints[1] == (
        f"{path}:3: resourceType: This service holds no resources of type 'Claim'"
    )
    assert complaints[2].startswith(f"{path}:4: line 1, column ")
    assert complaints[3].startswith(f"{path}:5: ")
    assert told[-1].startswith("Stored 2 resources from 1 file in ")
    assert told[-1].endswith("; refused 4 records")
    assert _body(store, "Observation", "o2")["status"] == "final"
    with pytest.raises(NotFound):
        store.read(ANONYMOUS, "Observation", "x")


def test_loading_again_makes_the_next_version(store: Store, tmp_path: Path) -> None:
    path = _write(tmp_path / "patient.json", PATIENT)
    _load(store, path)
    _load(store, path)
    assert store.read(ANONYMOUS, "Patient", "p1").vid == 2


def test_resource_without_an_id_gets_one(store: Store, tmp_path: Path) -> None:
    path = _write(tmp_path / "patient.json", {"resourceType": "Patient"})
    assert _load(store, path)[0] == 0
    with store.reader() as connection:
        assert connection.row("SELECT type, vid FROM resource") == ("Patient", 1)


def test_transaction_is_whole_or_not_at_all(store: Store, tmp_path: Path) -> None:
    def transaction(status: str) -> dict[str, Any]:
        observation = json.loads(OBSERVATION % 9) | {"status": status}
        observation |= {"subject": {"reference": "urn:uuid:0f0a1b4e-8a31-4d0c-9d57-0d7a4a6b9c11"}}
        return {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [
                {
                    "fullUrl": "urn:uuid:0f0a1b4e-8a31-4d0c-9d57-0d7a4a6b9c11",
                    "resource": {"resourceType": "Patient"},
                    "request": {"method": "POST", "url": "Patient"},
                },
                {
                    "resource": observation,
                    "request": {"method": "PUT", "url": "Observation/o9"},
                },
            ],
        }

    bad = _write(tmp_path / "bad.json", transaction("bogus"))
    exit_code, told, complaints = _load(store, bad)
    assert (exit_code, told[-1].startswith("Stored 0 resources")) == (1, True)
    assert complaints[0].startswith(f"{bad}: Bundle.entry[1].resource")
    with store.reader() as connection:
        assert connection.row("SELECT count(*) FROM resource") == (0,)

    exit_code, told, complaints = _load(store, _write(tmp_path / "good.json", transaction("final")))
    assert (exit_code, complaints) == (0, [])
    assert told[-1].startswith("Stored 2 resources")
    reference = _body(store, "Observation", "o9")["subject"]["reference"]
    assert _body(store, "Patient", reference.removeprefix("Patient/"))["resourceType"] == "Patient"


def test_entries_of_a_batch_stand_alone(store: Store, tmp_path: Path) -> None:
    def put(resource: dict[str, Any]) -> dict[str, Any]:
        url = f"{resource['resourceType']}/{resource['id']}"
        return {"resource": resource, "request": {"method": "PUT", "url": url}}

    refused = {"resourceType": "Patient", "id": "p2", "gender": "bogus"}
    batch = {"resourceType": "Bundle", "type": "batch", "entry": [put(refused), put(PATIENT)]}
    path = _write(tmp_path / "batch.json", batch)
    exit_code, told, complaints = _load(store, path)
    assert exit_code == 1
    assert complaints[0].startswith(f"{path}: Bundle.entry[0]: ")
    assert told[-1].startswith("Stored 1 resource from")
    assert _body(store, "Patient", "p1")["active"] is True


def test_collection_is_taken_apart(store: Store, tmp_path: Path) -> None:
    refused = {"resourceType": "Patient", "id": "p2", "gender": "bogus"}
    entries = [{"resource": refused}, {"resource": PATIENT}]
    path = _write(
        tmp_path / "collection.json",
        {"resourceType": "Bundle", "type": "collection", "entry": entries},
    )
    exit_code, _, complaints = _load(store, path)
    assert exit_code == 1
    assert complaints[0].startswith(f"{path}: Bundle.entry[0]: Patient.gender: ")
    assert _body(store, "Patient", "p1")["active"] is True


def test_session_notes_are_refused_clearly(sqlite_url: str, tmp_path: Path) -> None:
    table = _write(tmp_path / "notes.csv", "client,technique\n1,x\n")
    note = _write(tmp_path / "note.json", {"client": 1})
    done = hyoid("load", str(table), str(note), "--database", sqlite_url)
    assert done.returncode == 1
    assert f"{table}: row 1: The column session is missing" in done.stderr
    assert f"{note}: resourceType: " in done.stderr


def test_standard_input_is_read_as_ndjson(sqlite_url: str) -> None:
    done = hyoid("load", "-", "--database", sqlite_url, stdin=f"{json.dumps(PATIENT)}\nnonsense\n")
    assert done.returncode == 1
    assert done.stderr.startswith("-:2: line 1, column 1: ")
    assert done.stdout.startswith("Stored 1 resource from 1 file")


def test_folder_without_resources_is_told(sqlite_url: str, tmp_path: Path) -> None:
    done = hyoid("load", str(tmp_path), "--database", sqlite_url)
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)


def test_postgresql_without_tables_is_told(postgres_url: str, tmp_path: Path) -> None:
    path = _write(tmp_path / "patient.json", PATIENT)
    done = hyoid("load", str(path), "--database", postgres_url)
    assert done.returncode == 1
    assert "run hyoid migrate" in done.stderr


def test_bundle_whose_entries_refer_by_urn_is_made_a_transaction() -> None:
    urn = "urn:uuid:0f0a1b4e-8a31-4d0c-9d57-0d7a4a6b9c11"
    goal = {"resourceType": "Goal", "subject": {"reference": urn}}
    bundle = {
        "resourceType": "Bundle",
        "type": "document",
        "entry": [{"fullUrl": urn, "resource": PATIENT}, {"resource": goal}],
    }
    assert handling_of(bundle) == "rebuild"
    requests = [entry["request"] for entry in as_transaction(bundle)["entry"]]
    assert requests == [
        {"method": "PUT", "url": "Patient/p1"},
        {"method": "POST", "url": "Goal"},
    ]


def test_notes_about_a_search_are_not_resources() -> None:
    note = {"resource": {"resourceType": "OperationOutcome"}, "search": {"mode": "outcome"}}
    found = {"resourceType": "Bundle", "type": "searchset", "entry": [note, {"resource": PATIENT}]}
    assert list(resources_of(found)) == [(1, PATIENT)]


@pytest.mark.parametrize("kind", ["history", "transaction-response", None, 1, []])
def test_bundle_that_carries_nothing_to_store_is_refused(kind: object) -> None:
    with pytest.raises(HyoidError):
        handling_of({"resourceType": "Bundle", "type": kind})


@pytest.mark.parametrize("entry", [1, [None], [{}], [{"resource": 1}], [{"resource": {}}]])
def test_bundle_with_an_entry_that_is_none_is_refused(entry: object) -> None:
    with pytest.raises(HyoidError):
        list(resources_of({"resourceType": "Bundle", "type": "collection", "entry": entry}))
