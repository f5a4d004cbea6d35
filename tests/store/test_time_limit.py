from __future__ import annotations

import pytest

from service.errors import TooCostly
from service.store.store import Store

ENDLESS = (
    "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000000000)"
    " SELECT count(*) FROM n"
)


def test_a_read_that_takes_too_long_is_stopped_and_the_next_is_answered(store: Store) -> None:
    with (
        pytest.raises(TooCostly),
        store.reader(snapshot=True, seconds=0.2) as connection,
    ):
        connection.rows(ENDLESS)
    with store.reader(snapshot=True, seconds=5) as connection:
        assert connection.rows("SELECT id FROM change_clock") == [(1,)]
