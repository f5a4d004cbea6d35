"""What is read with a limit on its bytes is what is read without one, or refused."""

from __future__ import annotations

import pytest

from service.caller import ANONYMOUS
from service.errors import NoRoom
from service.store.history import HistoryQuery, history
from service.store.record import RecordQuery, record_in_turn, record_page
from service.store.rows import Stored
from service.store.store import Store
from tests.factories.clinical import observation, patient

BASE = "http://127.0.0.1:8000/fhir"


@pytest.fixture
def filled(store: Store) -> Store:
    """A client with small values, two large ones, and one that was deleted."""
    texts = ["short", "long" * 50_000, "short", "long" * 60_000]
    values = [
        observation(f"o{number}", "Patient/p", note=[{"text": text}])
        for number, text in enumerate(texts)
    ]
    with store.write(ANONYMOUS) as unit:
        for each in (patient("p"), *values):
            unit.append(each, each["id"], BASE, method="PUT", current=None)
    with store.write(ANONYMOUS) as unit:
        current = unit.current("Observation", "o2")
        assert current is not None
        unit.delete(current)
    return store


def _read(store: Store, room: int | None) -> tuple[list[Stored], list[Stored]]:
    with store.reader(snapshot=True, room=room) as connection:
        record = record_page(connection, ANONYMOUS, RecordQuery("p"))
    with store.reader(snapshot=True, room=room) as connection:
        return record, history(connection, ANONYMOUS, HistoryQuery(type="Observation"))


def test_within_the_room_it_is_the_same(filled: Store) -> None:
    record, versions = _read(filled, None)
    assert [stored.id for stored in record] == ["o0", "o1", "o3"]
    assert [stored.deleted for stored in versions] == [True, False, False, False, False]
    needed = sum(len(stored.body or b"") for stored in versions)
    assert _read(filled, needed) == (record, versions)
    for room in (needed - 1, 300_000, 1000, 0):
        with pytest.raises(NoRoom):
            _read(filled, room)


def test_a_connection_has_no_limit_afterwards_and_a_look_takes_no_room(filled: Store) -> None:
    expected, _ = _read(filled, None)
    with filled.reader(snapshot=True, room=1000) as connection:
        assert list(record_in_turn(connection, ANONYMOUS, RecordQuery("p"))) == expected
    with filled.reader() as connection:
        assert connection.room is None
