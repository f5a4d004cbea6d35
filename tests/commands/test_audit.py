"""hyoid audit verify tells whether the log is whole; on both engines."""

from __future__ import annotations

from service.store.audit.access import Access
from service.store.audit.log import append
from service.store.store import Store
from service.store.unit import take_turn
from tests.live import hyoid_here as hyoid


def _fill(store: Store, count: int) -> None:
    with store.database.writer() as connection:
        take_turn(connection)
        append(connection, [Access(n, "read", 200, "ward") for n in range(count)])


def test_a_whole_log_is_told_with_what_to_keep_elsewhere(store: Store) -> None:
    _fill(store, 3)
    told = hyoid("audit", "verify", "--database", store.database.url)
    assert told.returncode == 0, told.stderr
    head, kept = told.stdout.splitlines()
    assert "whole: 3 rows" in head
    _fill(store, 2)
    again = hyoid("audit", "verify", "--database", store.database.url, "--known", kept)
    assert again.returncode == 0, again.stderr
    assert "whole: 5 rows" in again.stdout


def test_a_log_that_is_not_the_one_that_was_noted_is_told(store: Store) -> None:
    _fill(store, 3)
    told = hyoid("audit", "verify", "--database", store.database.url, "--known", f"3:{'00' * 32}")
    assert told.returncode == 1
    assert "row 3 is not the one that was noted" in told.stderr


def test_a_note_that_cannot_be_read_is_misuse(store: Store) -> None:
    told = hyoid("audit", "verify", "--database", store.database.url, "--known", "3:xyz")
    assert told.returncode == 2
    assert "--known" in told.stderr
