"""hyoid erase takes one client's record out, asks before it does, and says what it leaves."""

from __future__ import annotations

from service.caller import ANONYMOUS
from service.store.store import Store
from tests.factories.clinical import observation, patient
from tests.live import hyoid_here as hyoid


def _fill(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        for resource in (
            patient("p1"),
            patient("p2"),
            observation("o1", patient="Patient/p1"),
            observation("o2", patient="Patient/p2"),
        ):
            unit.append(resource, resource["id"], "http://x/fhir", method="PUT", current=None)


def _bodies(store: Store) -> int:
    with store.reader() as connection:
        row = connection.row("SELECT count(*) FROM version WHERE body IS NOT NULL")
    assert row is not None
    return int(row[0])


def test_a_record_is_erased_and_the_others_stay(store: Store) -> None:
    _fill(store)
    done = hyoid("erase", "--patient", "p1", "--yes", "--database", store.database.url)
    assert done.returncode == 0, done.stderr
    assert "Erased 2 resources of Patient/p1" in done.stdout
    assert "audit log" in done.stdout
    assert _bodies(store) == 2


def test_without_a_yes_nothing_is_erased(store: Store) -> None:
    _fill(store)
    refused = hyoid("erase", "--patient", "p1", "--database", store.database.url, stdin="n\n")
    assert refused.returncode == 1
    assert "Nothing was erased" in refused.stderr
    assert _bodies(store) == 4


def test_a_client_who_is_not_there_is_told(store: Store) -> None:
    refused = hyoid("erase", "--patient", "nobody", "--yes", "--database", store.database.url)
    assert refused.returncode == 1
    assert "nothing of a Patient/nobody" in refused.stderr
