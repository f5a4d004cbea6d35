"""What users stored beside what is shipped, on both engines."""

from __future__ import annotations

from typing import Any

from service.caller import ANONYMOUS, Caller
from service.standard.terminology.code_systems import CodeSystem
from service.store.store import Store
from service.terminology import stored as stored_file
from service.terminology.stored import StoredLibrary

URL = "https://made.example/colours"
TECHNIQUE = "https://hyoid.example/fhir/CodeSystem/technique"


def code_system(*codes: str, url: str = URL, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "CodeSystem",
        "url": url,
        "version": "1",
        "status": "active",
        "content": "complete",
        "concept": [{"code": code} for code in codes],
        **more,
    }


def keep(store: Store, resource: dict[str, Any], name: str) -> None:
    with store.write(ANONYMOUS) as unit:
        kind = resource["resourceType"]
        current = unit.current(kind, name)
        unit.append(resource, name, "http://t/fhir", method="PUT", current=current)


def found(store: Store, url: str = URL, version: str | None = None) -> CodeSystem | None:
    with store.reader(snapshot=True) as connection:
        return StoredLibrary(connection, ANONYMOUS).code_system(url, version)


def test_the_newest_active_version_is_found(store: Store) -> None:
    assert found(store) is None
    keep(store, code_system("red"), "a")
    keep(store, code_system("red", "blue", version="1.10"), "b")
    keep(store, code_system("green", version="1.9"), "c")
    keep(store, code_system("mauve", version="2", status="draft"), "d")
    newest = found(store)
    assert newest is not None
    assert set(newest.concepts) == {"red", "blue"}
    draft = found(store, version="2")
    assert draft is not None
    assert set(draft.concepts) == {"mauve"}


def test_a_change_is_seen_at_once(store: Store) -> None:
    keep(store, code_system("red"), "a")
    assert found(store)
    keep(store, code_system("red", "blue"), "a")
    changed = found(store)
    assert changed is not None
    assert set(changed.concepts) == {"red", "blue"}


def test_a_version_is_taken_apart_once(store: Store) -> None:
    keep(store, code_system("red"), "a")
    assert found(store) is found(store)


def test_versions_of_two_databases_are_not_mixed_up(store: Store, tmp_path: Any) -> None:
    """The first resource of each store has the same number and version."""
    from service.store.engine import Database
    from service.store.migrate import migrate

    other = Database(f"sqlite:///{tmp_path / 'other.sqlite3'}")
    migrate(other)
    keep(store, code_system("red"), "a")
    keep(Store(other), code_system("blue"), "a")
    first, second = found(store), found(Store(other))
    other.close()
    assert first is not None
    assert second is not None
    assert set(first.concepts) == {"red"}
    assert set(second.concepts) == {"blue"}


def test_stored_and_shipped_stand_together(store: Store) -> None:
    shipped = found(store, TECHNIQUE)
    assert shipped is not None
    keep(store, code_system("dance", url=TECHNIQUE, version="0.0.1"), "older")
    assert found(store, TECHNIQUE) is shipped
    keep(store, code_system("dance", url=TECHNIQUE, version="99"), "newer")
    newer = found(store, TECHNIQUE)
    assert newer is not None
    assert set(newer.concepts) == {"dance"}
    assert found(store, TECHNIQUE, "0.1.0") is shipped


def test_special_characters_in_a_url_are_no_syntax(store: Store) -> None:
    url = "https://made.example/a,b|c$d\\e"
    keep(store, code_system("red", url=url), "a")
    assert found(store, url)
    assert found(store, "https://made.example/a") is None
    assert found(store, "https://made.example/\x00") is None


def test_definitions_are_shared_by_all_callers(store: Store) -> None:
    keep(store, code_system("red"), "a")
    narrow = Caller("someone", ANONYMOUS.scopes, clients=frozenset({"p1"}))
    with store.reader(snapshot=True) as connection:
        assert StoredLibrary(connection, narrow).code_system(URL)


def test_maps_are_found_by_the_systems_they_are_from_and_to(store: Store) -> None:
    concept_map = {
        "resourceType": "ConceptMap",
        "url": "https://made.example/map",
        "status": "active",
        "group": [{"source": URL, "target": "urn:b", "element": []}],
    }
    keep(store, concept_map, "a")
    nameless = {k: v for k, v in concept_map.items() if k != "url"}
    keep(store, nameless, "b")
    keep(store, concept_map | {"url": "https://made.example/old", "status": "retired"}, "c")
    with store.reader(snapshot=True) as connection:
        library = StoredLibrary(connection, ANONYMOUS)
        assert len(list(library.concept_maps(URL, reverse=False))) == 2
        assert len(list(library.concept_maps("urn:b", reverse=True))) == 2
        assert list(library.concept_maps("urn:b", reverse=False)) == []


def test_old_versions_leave_the_cache(store: Store) -> None:
    cache = stored_file._Cache(most_bytes=3000)
    keep(store, code_system(*(f"c{n}" for n in range(30))), "a")
    keep(store, code_system(*(f"d{n}" for n in range(300))), "b")
    with store.reader() as connection:
        from service.store.current import current_version

        for name in ("a", "b", "a"):
            kept = current_version(connection, ANONYMOUS, "CodeSystem", name)
            assert kept is not None
            assert cache.version(kept).read().concepts
    assert len(cache._held) == 1
