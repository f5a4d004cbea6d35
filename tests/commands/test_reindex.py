"""hyoid reindex gives the same search rows as writing did; on both engines."""

from __future__ import annotations

from service.caller import ANONYMOUS
from service.store.store import Store
from tests.live import hyoid_here as hyoid

TABLES = (
    "index_token",
    "index_reference",
    "index_date",
    "index_quantity",
    "index_string",
    "index_uri",
    "compartment",
)


def _fill(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        unit.append(
            {"resourceType": "Patient", "name": [{"family": "Ødegård"}], "birthDate": "1950-02"},
            "p",
            "",
            method="PUT",
            current=None,
        )
        gone = unit.append(
            {"resourceType": "Goal", "subject": {"reference": "Patient/p"}},
            "gone",
            "",
            method="PUT",
            current=None,
        )
        for number in range(450):
            observation = {
                "resourceType": "Observation",
                "status": "final",
                "code": {"coding": [{"system": "http://loinc.org", "code": f"{number}-0"}]},
                "subject": {"reference": "Patient/p"},
                "valueQuantity": {"value": number, "code": "kPa"},
            }
            unit.append(observation, f"o{number}", "", method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        unit.delete(gone)


def _rows(store: Store) -> dict[str, set[tuple[object, ...]]]:
    with store.reader() as connection:
        return {table: set(connection.rows(f"SELECT * FROM {table}")) for table in TABLES}


def test_lost_and_wrong_rows_are_made_good(store: Store) -> None:
    _fill(store)
    before = _rows(store)
    assert len(before["index_token"]) > 450
    assert ("gone",) in _ids_in_compartment(store)
    with store.database.writer() as connection:
        for table in ("index_reference", "index_quantity", "compartment"):
            connection.run(f"DELETE FROM {table}")
        connection.run("UPDATE index_token SET code = 'wrong' WHERE rid = 5")
    done = hyoid("reindex", "--database", store.database.url)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Indexed 452 resources in ")
    assert _rows(store) == before


def test_versions_and_clock_stay_as_they_were(store: Store) -> None:
    _fill(store)
    with store.reader() as connection:
        clock = connection.row("SELECT * FROM change_clock")
    hyoid("reindex", "--database", store.database.url)
    with store.reader() as connection:
        assert connection.row("SELECT * FROM change_clock") == clock
        assert connection.row("SELECT count(*) FROM version") == (453,)


def _ids_in_compartment(store: Store) -> list[tuple[object, ...]]:
    with store.reader() as connection:
        return connection.rows(
            "SELECT r.id FROM compartment k JOIN resource r ON r.rid = k.rid WHERE k.patient = 'p'"
        )
