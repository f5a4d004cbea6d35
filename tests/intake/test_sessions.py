"""What is told when something fails between the sessions of one request."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.errors import Conflict, HyoidError, Unavailable
from service.intake.desk import Desk, Prepared
from service.store.store import Store
from service.store.unit import Unit
from tests.intake.numbering import NORTH, deliver, encounters, note, set_up

NOTES = json.dumps([note("S-1"), note("S-2")]).encode()


def failing(monkeypatch: pytest.MonkeyPatch, *faults: HyoidError | None) -> None:
    """Each writing of a session meets the next of these."""
    write, waiting = Desk.write, iter(faults)

    def instead(self: Desk, unit: Unit, prepared: Prepared) -> Any:
        if (fault := next(waiting, None)) is not None:
            raise fault
        return write(self, unit, prepared)

    monkeypatch.setattr(Desk, "write", instead)


def test_one_that_cannot_be_written_leaves_the_others(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(store, "north")
    failing(monkeypatch, None, Conflict("taken"), None, Conflict("taken"))
    assert [each.status for each in deliver(store, NORTH, NOTES)] == ["stored", "refused"]
    assert [len(encounters(store, NORTH, each)) for each in ("S-1", "S-2")] == [1, 0]


def test_it_is_not_told_that_nothing_was_stored_where_something_was(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(store, "north")
    gone = Unavailable("nothing was stored")
    failing(monkeypatch, None, Conflict("taken"), None, gone)
    with pytest.raises(Unavailable, match="some sessions are stored"):
        deliver(store, NORTH, NOTES)
    assert len(encounters(store, NORTH, "S-1")) == 1
    assert [each.status for each in deliver(store, NORTH, NOTES)] == ["unchanged", "stored"]


def test_where_nothing_was_it_is_told(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    set_up(store, "north")
    failing(monkeypatch, None, Conflict("taken"), Unavailable("nothing was stored"))
    with pytest.raises(Unavailable, match="nothing was stored"):
        deliver(store, NORTH, NOTES)
    assert encounters(store, NORTH, "S-1") == []
