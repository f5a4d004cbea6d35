"""Are the definitions of mappings/ kept, once, and nobody else's touched? On both engines."""

from __future__ import annotations

import json
import shutil
import threading
from pathlib import Path
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.data import mappings
from service.errors import Invalid, NotFound
from service.standard.codec import decode_resource
from service.store.built_in import DEFINITIONAL, definitions_in, install_definitions
from service.store.engine import Database
from service.store.store import Store
from tests.store.keeping import read_version

TECHNIQUE = "faucial-cold-strokes"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A small mappings/ with one technique and one template."""
    for name, file in (
        ("techniques", f"{TECHNIQUE}.json"),
        ("plan-templates", "delayed-swallow-trigger.json"),
        ("cautions", "strong-gag.json"),
    ):
        (tmp_path / "mappings" / name).mkdir(parents=True)
        shutil.copy(mappings(name, file), tmp_path / "mappings" / name / file)
    return tmp_path / "mappings"


def _changed(folder: Path, **more: Any) -> None:
    path = folder / "techniques" / f"{TECHNIQUE}.json"
    path.write_text(json.dumps(json.loads(path.read_bytes()) | more))


def _stored(store: Store, kind: str = "ActivityDefinition", key: str = TECHNIQUE) -> dict[str, Any]:
    return decode_resource(store.read(ANONYMOUS, kind, key).body or b"")


def _put(store: Store, resource: dict[str, Any]) -> None:
    with store.write(ANONYMOUS) as unit:
        current = unit.current(resource["resourceType"], resource["id"])
        unit.append(resource, resource["id"], "", method="PUT", current=current)


def test_every_definition_of_mappings_is_kept_under_its_id(store: Store) -> None:
    done = install_definitions(store)
    assert done.taken == []
    files = list(definitions_in(mappings()))
    assert len(done.written) == len(files) > 40
    assert {each["resourceType"] for each in files} <= DEFINITIONAL
    for each in files:
        kept = _stored(store, each["resourceType"], each["id"])
        assert kept["url"] == each["url"]
        assert kept["meta"]["source"].startswith("https://hyoid.example/mappings/")


def test_second_time_writes_nothing(store: Store, folder: Path) -> None:
    assert len(install_definitions(store, folder).written) == 2
    before = store.read(ANONYMOUS, "ActivityDefinition", TECHNIQUE)
    assert install_definitions(store, folder).written == []
    assert store.read(ANONYMOUS, "ActivityDefinition", TECHNIQUE) == before


def test_new_file_and_changed_file_are_taken(store: Store, folder: Path) -> None:
    install_definitions(store, folder)
    own = json.loads(mappings("techniques", "perioral-taps.json").read_bytes())
    own |= {"id": "new-one", "url": "https://clinic.example/fhir/ActivityDefinition/new-one"}
    (folder / "techniques" / "new-one.json").write_text(json.dumps(own))
    _changed(folder, title="Changed")
    done = install_definitions(store, folder)
    assert sorted(done.written) == ["ActivityDefinition/" + TECHNIQUE, "ActivityDefinition/new-one"]
    assert _stored(store)["title"] == "Changed"
    assert _stored(store)["meta"]["versionId"] == "2"
    assert _stored(store, key="new-one")["url"] == own["url"]


def test_what_a_user_made_of_our_definition_becomes_ours_again(store: Store, folder: Path) -> None:
    install_definitions(store, folder)
    _put(store, _stored(store) | {"title": "Mine"})
    assert install_definitions(store, folder).written == ["ActivityDefinition/" + TECHNIQUE]
    assert _stored(store)["title"] != "Mine"
    kept = read_version(store, ANONYMOUS, "ActivityDefinition", TECHNIQUE, 2)
    assert b'"Mine"' in (kept.body or b"")


def test_deleted_definition_comes_back(store: Store, folder: Path) -> None:
    install_definitions(store, folder)
    with store.write(ANONYMOUS) as unit:
        current = unit.current("ActivityDefinition", TECHNIQUE)
        assert current is not None
        unit.delete(current)
    assert install_definitions(store, folder).written == ["ActivityDefinition/" + TECHNIQUE]
    assert _stored(store)["id"] == TECHNIQUE


def test_resource_of_a_user_under_one_of_our_ids_is_left_alone(store: Store, folder: Path) -> None:
    own = {
        "resourceType": "ActivityDefinition",
        "id": TECHNIQUE,
        "url": "https://clinic.example/fhir/ActivityDefinition/ours",
        "status": "active",
        # Our URL somewhere else in it makes it no resource of ours.
        "relatedArtifact": [
            {
                "type": "derived-from",
                "url": f"https://hyoid.example/fhir/ActivityDefinition/{TECHNIQUE}",
            }
        ],
    }
    _put(store, own)
    for _ in range(2):
        done = install_definitions(store, folder)
        assert done.taken == ["ActivityDefinition/" + TECHNIQUE]
        assert _stored(store)["url"] == own["url"]
        assert _stored(store)["meta"]["versionId"] == "1"
    assert _stored(store, "PlanDefinition", "delayed-swallow-trigger")


def test_file_that_breaks_r4_is_named_and_nothing_is_written(store: Store, folder: Path) -> None:
    _changed(folder, status="bogus")
    with pytest.raises(Invalid, match=f"mappings/techniques/{TECHNIQUE}.json: .*bogus"):
        install_definitions(store, folder)
    with pytest.raises(NotFound):
        store.read(ANONYMOUS, "PlanDefinition", "delayed-swallow-trigger")


def test_file_that_is_no_json_is_named(store: Store, folder: Path) -> None:
    (folder / "techniques" / "broken.json").write_text('{"resourceType": "ActivityDefinition",')
    with pytest.raises(Invalid, match=r"mappings/techniques/broken\.json"):
        install_definitions(store, folder)


def test_processes_that_start_at_once_write_once(store: Store, folder: Path) -> None:
    written: list[list[str]] = []

    def start() -> None:
        database = Database(store.database.url)
        written.append(install_definitions(Store(database), folder).written)
        database.close()

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(map(len, written)) == [0, 0, 0, 2]
    assert _stored(store)["meta"]["versionId"] == "1"
