"""hyoid export: one client's record, or everything; on both engines."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.commands._telling import RefusedError
from service.commands._writing import whole_file
from service.store.store import Store
from tests.live import hyoid_here as hyoid
from tests.store.keeping import put
from tests.store.test_consents import consent


def _observation(key: str, patient: str, performer: str) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": key,
        "status": "final",
        "code": {"text": "tongue strength"},
        "subject": {"reference": f"Patient/{patient}"},
        "performer": [{"reference": f"Practitioner/{performer}"}],
    }


@pytest.fixture
def clinic(store: Store) -> Store:
    resources = [
        {"resourceType": "Patient", "id": "ada"},
        {"resourceType": "Patient", "id": "ben"},
        {"resourceType": "Practitioner", "id": "therapist"},
        {"resourceType": "Practitioner", "id": "other"},
        _observation("a1", "ada", "therapist"),
        _observation("b1", "ben", "other"),
    ]
    with store.write(ANONYMOUS) as unit:
        for resource in resources:
            unit.append(resource, resource["id"], "", method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        gone = unit.append({"resourceType": "Goal"}, "gone", "", method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        unit.delete(gone)
    return store


def _write_half(path: Path) -> None:
    with whole_file(path) as stream:
        stream.write(b"half")
        raise RuntimeError


def _export(store: Store, *arguments: str) -> tuple[int, str, str]:
    done = hyoid("export", *arguments, "--database", store.database.url)
    return done.returncode, done.stdout, done.stderr


def test_record_of_one_client_is_a_collection(clinic: Store, tmp_path: Path) -> None:
    path = tmp_path / "new" / "ada.json"
    exit_code, told, complaints = _export(clinic, "--patient", "ada", "--to", str(path))
    assert (exit_code, complaints) == (0, "")
    assert told == f"Wrote 3 resources to {path}\n"
    bundle = json.loads(path.read_text())
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "collection")
    names = [
        (entry["resource"]["resourceType"], entry["resource"]["id"]) for entry in bundle["entry"]
    ]
    assert names == [("Patient", "ada"), ("Observation", "a1"), ("Practitioner", "therapist")]
    assert bundle["entry"][1]["fullUrl"].endswith("/fhir/Observation/a1")
    assert hyoid("validate", str(path)).returncode == 0


def test_unknown_client_is_told_and_nothing_written(clinic: Store, tmp_path: Path) -> None:
    exit_code, _, complaints = _export(
        clinic, "--patient", "nobody", "--to", str(tmp_path / "nobody.json")
    )
    assert (exit_code, complaints) == (1, "hyoid: There is no Patient/nobody\n")
    assert not list(tmp_path.glob("*nobody*"))


def test_everything_is_a_file_a_type(clinic: Store, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "Goal.ndjson").write_text("of an export before")
    (folder / "notes.txt").write_text("not ours")
    exit_code, told, complaints = _export(clinic, "--to", str(folder))
    assert (exit_code, complaints) == (0, "")
    assert told == f"Wrote 6 resources to {folder}: 3 files\n"
    names = {path.name for path in folder.iterdir()}
    assert names == {"Observation.ndjson", "Patient.ndjson", "Practitioner.ndjson", "notes.txt"}
    lines = (folder / "Observation.ndjson").read_bytes().splitlines()
    assert lines == [clinic.read(ANONYMOUS, "Observation", key).body for key in ("a1", "b1")]


def test_what_was_exported_can_be_loaded(clinic: Store, tmp_path: Path) -> None:
    folder, copy = tmp_path / "out", f"sqlite:///{tmp_path / 'copy.sqlite3'}"
    _export(clinic, "--to", str(folder))
    loaded = hyoid("load", str(folder), "--database", copy)
    assert (loaded.returncode, loaded.stderr) == (0, "")
    assert loaded.stdout.startswith("Stored 6 resources from 3 files")


def test_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "missing.sqlite3"
    done = hyoid("export", "--to", str(tmp_path / "out"), "--database", f"sqlite:///{path}")
    assert done.returncode == 1
    assert "There is no store at" in done.stderr
    assert not path.exists()


def test_half_a_file_never_gets_the_name(tmp_path: Path) -> None:
    path = tmp_path / "record.json"
    path.write_text("before")
    with pytest.raises(RuntimeError):
        _write_half(path)
    assert path.read_text() == "before"
    assert [found.name for found in tmp_path.iterdir()] == ["record.json"]


def test_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="Cannot write"), whole_file(tmp_path / "no" / "x.json"):
        pass


def test_record_of_one_client_is_a_transaction_that_loads_twice(
    clinic: Store, tmp_path: Path
) -> None:
    path, copy = tmp_path / "ada.json", f"sqlite:///{tmp_path / 'copy.sqlite3'}"
    asked = ("--patient", "ada", "--bundle-type", "transaction", "--to", str(path))
    code, out, err = _export(clinic, *asked)
    assert (code, err) == (0, "")
    assert "Wrote 3 resources and their Provenance" in out
    content = path.read_bytes()
    assert json.loads(content)["type"] == "transaction"
    for _ in range(2):
        done = hyoid("load", str(path), "--database", copy)
        assert done.returncode == 0, done.stderr
    assert hyoid("export", "--to", str(tmp_path / "all"), "--database", copy).returncode == 0
    lines = [
        len((tmp_path / "all" / f"{kind}.ndjson").read_text().splitlines())
        for kind in ("Patient", "Observation", "Practitioner", "Provenance")
    ]
    assert lines == [1, 1, 1, 1]
    assert _export(clinic, *asked)[0] == 0
    assert path.read_bytes() == content


def test_a_transaction_is_of_one_client(clinic: Store, tmp_path: Path) -> None:
    code, _, err = _export(clinic, "--bundle-type", "transaction", "--to", str(tmp_path / "x"))
    assert code != 0
    assert "--patient" in err


def test_what_a_consent_denies_is_left_out_unless_it_stays_here(
    clinic: Store, tmp_path: Path
) -> None:
    for key, actor in (("ada", []), ("ben", ["Organization/lakeside"])):
        put(
            clinic,
            consent(
                f"of-{key}",
                key,
                type="deny",
                **(
                    {"actor": [{"role": {"text": "x"}, "reference": {"reference": actor[0]}}]}
                    if actor
                    else {}
                ),
            ),
        )

    def names(folder: Path) -> set[str]:
        lines = [line for file in folder.glob("*.ndjson") for line in file.read_text().splitlines()]
        return {json.loads(line)["id"] for line in lines}

    code, _, told = _export(clinic, "--to", str(tmp_path / "all"))
    assert (code, "left out 1 client" in told) == (0, True)
    assert names(tmp_path / "all") & {"ada", "a1", "ben", "b1"} == {"ben", "b1"}
    lakeside = ("--recipient", "Organization/lakeside")
    assert "left out 2 clients" in _export(clinic, "--to", str(tmp_path / "for"), *lakeside)[2]
    assert not names(tmp_path / "for") & {"ada", "a1", "ben", "b1"}
    whole = _export(clinic, "--to", str(tmp_path / "whole"), "--despite-consent")
    assert (whole[0], whole[2]) == (0, "")
    assert {"ada", "a1", "ben", "b1"} <= names(tmp_path / "whole")
    for kind in ("collection", "transaction"):
        to = ("--to", str(tmp_path / f"{kind}.json"), "--bundle-type", kind)
        code, _, told = _export(clinic, *to, "--patient", "ada")
        assert (code, "denies" in told, told.count("\n")) == (1, True, 1)
        assert _export(clinic, *to, "--patient", "ben")[0] == 0
        assert _export(clinic, *to, "--patient", "ben", *lakeside)[0] == 1
        assert _export(clinic, *to, "--patient", "ada", "--despite-consent")[0] == 0
