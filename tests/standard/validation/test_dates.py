"""Outside source: FHIRPath N1, Comparison: dates of different precision compare as far as both
go, and are not ordered beyond that."""

from __future__ import annotations

import pytest

from service.standard.validation.dates import is_date, order_of_dates


@pytest.mark.parametrize(
    ("a", "b", "order"),
    [
        ("2026", "2027", -1),
        ("2026-03", "2026-02-28", 1),
        ("2026-03", "2026-03-05", None),
        ("2026-03-05", "2026-03-05", 0),
        ("2026-03-05", "2026-03-05T10:00:00Z", None),
        ("2026-03-06", "2026-03-05T10:00:00Z", 1),
        ("2026-03-05T10:00:00Z", "2026-03-05T11:30:00+01:00", -1),
        ("2026-03-05T10:00:00Z", "2026-03-05T11:00:00+01:00", 0),
        ("2026-03-05T10:00:00.5Z", "2026-03-05T10:00:00Z", 1),
        ("2026-03-05T23:59:60Z", "2026-03-06T00:00:01Z", -1),
        ("2026-03-05T99:00:00Z", "2026-03-05T10:00:00Z", None),
    ],
)
def test_two_dates_are_ordered_as_far_as_both_go(a: str, b: str, order: int | None) -> None:
    assert order_of_dates(a, b) == order
    assert order_of_dates(b, a) == (None if order is None else -order)


def test_other_texts_are_no_dates() -> None:
    assert is_date("2026")
    assert not any(is_date(text) for text in ("", "26", "male", "2026-1", "10:00:00"))
