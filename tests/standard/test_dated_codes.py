"""Which codes come with the date of their resource?"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from service.standard.dated_codes import NEVER, dated_codes
from service.standard.definitions import definitions
from service.standard.search_values import extract
from tests.factories.clinical import observation


def rows(**more: Any) -> list[tuple[int, str, int]]:
    seen = observation("o1") | more
    if any(name.startswith("effective") for name in more):
        seen = {name: v for name, v in seen.items() if name in more or "effective" not in name}
    return extract(seen).dated


def us(*at: int) -> int:
    return int(datetime(*at, tzinfo=UTC).timestamp()) * 1_000_000  # type: ignore[misc, arg-type]


CODE = definitions().search_parameter("Observation", "code")
TWO = {"coding": [{"system": "http://a", "code": "x"}, {"system": "http://b", "code": "y"}]}


def test_each_code_once_with_the_start_of_the_date() -> None:
    assert CODE is not None
    assert rows(code=TWO, effectiveDateTime="2026-03") == [
        (CODE.number, "x", us(2026, 3, 1)),
        (CODE.number, "y", us(2026, 3, 1)),
    ]
    same = {"coding": [{"system": "http://a", "code": "x"}, {"system": "http://b", "code": "x"}]}
    period = {"start": "2026-03-04", "end": "2026-04-01"}
    assert rows(code=same, effectivePeriod=period) == [(CODE.number, "x", us(2026, 3, 4))]


def test_no_date_is_before_every_date() -> None:
    (undated,) = rows(code={"coding": [{"code": "x"}]}, effectiveTiming={"code": {"text": "now"}})
    (opened,) = rows(code={"coding": [{"code": "x"}]}, effectivePeriod={"end": "2026"})
    assert undated[2] == NEVER < opened[2]


def test_other_types_have_none() -> None:
    assert "Patient" not in dated_codes()
    goal = {"resourceType": "Goal", "id": "g", "lifecycleStatus": "active"}
    assert extract(goal).dated == []
