"""Does a new index say what the old one said, whatever the service is called when it is made?"""

from __future__ import annotations

from typing import Any

from service.caller import ANONYMOUS, Caller
from service.store import tables
from service.store.current import current_version
from service.store.reindex import reindexed
from service.store.store import Store
from tests.factories.clinical import observation, patient

HERE = "https://records.example/fhir"
SHELL = "http://127.0.0.1:8000/fhir"
_INDEXES = [name for name in tables.SQLModel.metadata.tables if name.startswith("index_")]


def _team(key: str, subject: str) -> dict[str, Any]:
    return {
        "resourceType": "CareTeam",
        "id": key,
        "status": "active",
        "subject": {"reference": subject},
        "participant": [{"member": {"reference": "Organization/north"}}],
    }


def _fill(store: Store) -> None:
    north = {"resourceType": "Organization", "id": "north", "name": "North"}
    ours = patient("ours") | {"managingOrganization": {"reference": f"{HERE}/Organization/north"}}
    document = {
        "resourceType": "DocumentReference",
        "id": "d",
        "status": "current",
        "subject": {"reference": f"{HERE}/Patient/ours"},
        "content": [{"attachment": {"url": f"{HERE}/Binary/b"}}],
    }
    resources = [north, ours, patient("theirs"), observation("o", patient=f"{HERE}/Patient/ours")]
    resources += [document, _team("seen", f"{HERE}/Patient/ours")]
    # Foreign where it was written, so that nobody asked whose client it is.
    resources.append(_team("sly", f"{SHELL}/Patient/theirs"))
    with store.write(ANONYMOUS) as unit:
        for each in resources:
            unit.append(each, each["id"], HERE, method="PUT", current=None)


def _rows(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    with store.reader() as connection:
        return {
            name: sorted(connection.rows(f"SELECT * FROM {name}"), key=repr)
            for name in [*_INDEXES, "compartment"]
        }


def test_what_is_local_stays_local_and_what_is_foreign_stays_foreign(store: Store) -> None:
    _fill(store)
    before = _rows(store)
    assert sum(reindexed(store, ANONYMOUS, SHELL)) == 7
    assert _rows(store) == before
    assert len(before["index_reference"]) > 5


def test_nobody_gains_a_client_by_it(store: Store) -> None:
    _fill(store)
    north = Caller(
        "north", scopes=frozenset({"system/*.rs"}), tied=frozenset({"Organization/north"})
    )
    list(reindexed(store, ANONYMOUS, SHELL))
    with store.reader() as connection:
        assert current_version(connection, north, "Patient", "ours") is not None
        assert current_version(connection, north, "Patient", "theirs") is None


def test_what_does_not_say_where_it_was_written_is_read_where_the_index_is_made(
    store: Store,
) -> None:
    _fill(store)
    before = _rows(store)
    with store.write(ANONYMOUS) as unit:
        unit.reader().run("UPDATE version SET base = NULL")
    list(reindexed(store, ANONYMOUS, HERE))
    assert _rows(store) == before
    list(reindexed(store, ANONYMOUS, SHELL))
    assert _rows(store) != before
