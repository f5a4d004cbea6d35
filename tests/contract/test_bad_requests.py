"""Does every bad request in the tables meet a refusal that names its fault, and store nothing?"""

from __future__ import annotations

from collections.abc import Callable

import httpx
import pytest

from tests.contract import (
    bad_bodies,
    bad_bundles,
    bad_conditions,
    bad_elements,
    bad_patches,
    bad_questions,
    bad_rules,
    bad_searches,
    bad_texts,
)
from tests.contract.asked import Bad
from tests.contract.outcomes import places, refusal

TABLES = (
    bad_bodies,
    bad_bundles,
    bad_conditions,
    bad_elements,
    bad_patches,
    bad_questions,
    bad_rules,
    bad_searches,
    bad_texts,
)
ROWS = [row for table in TABLES for row in table.ROWS]


def test_the_tables_hold_enough_and_every_name_once() -> None:
    names = [row.name for row in ROWS]
    assert len(names) >= 120
    assert sorted(names) == sorted(set(names))


@pytest.mark.parametrize("row", ROWS, ids=str)
@pytest.mark.usefixtures("stored")
def test_is_refused_with_its_place_and_stores_nothing(
    row: Bad, fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    answer = fhir.request(row.method, row.address, content=row.body, headers=row.headers)
    assert answer.status_code == row.status, answer.text
    issues = refusal(answer)
    found = [(issue["code"], place) for issue in issues for place in places(issue) or [""]]
    assert (row.code, row.where) in found
    assert last_change() == before
