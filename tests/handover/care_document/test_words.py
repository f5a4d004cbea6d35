"""Dates, numbers and names for people: fixed examples."""

from __future__ import annotations

from typing import Any

import pytest

from service.handover.care_document.trends import arrows, bars, spread
from service.handover.care_document.words import (
    amount_words,
    called,
    date_words,
    human_name,
    name_words,
    often_words,
    said,
    time_words,
)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026", "2026"),
        ("2026-03", "March 2026"),
        ("2026-03-02", "2 March 2026"),
        ("2026-03-02T23:30:00-07:00", "2 March 2026"),
        (None, ""),
        ("", ""),
    ],
)
def test_date(text: str | None, words: str) -> None:
    assert date_words(text) == words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-03-02T23:30:00-07:00", "2 March 2026, 23:30"),
        ("2026-03-02T23:30:00Z", "2 March 2026, 23:30 UTC"),
        ("2026-03-02", "2 March 2026"),
        (None, ""),
    ],
)
def test_time(text: str | None, words: str) -> None:
    assert time_words(text) == words


def test_amount_keeps_how_it_was_written() -> None:
    from decimal import Decimal

    assert amount_words({"value": Decimal("3.00"), "unit": "s", "comparator": "<"}) == "<3.00 s"
    assert amount_words({"unit": "s"}) == ""


@pytest.mark.parametrize(
    ("frequency", "every", "times", "words"),
    [
        (2.0, 7.0, None, "2 times a week"),
        (1.0, 1.0, None, "once a day"),
        (3.0, 14.0, None, "3 times in 14 days"),
        (None, 7.0, 5, "5 in all"),
        (None, 7.0, None, ""),
    ],
)
def test_often(frequency: float | None, every: float, times: int | None, words: str) -> None:
    assert often_words(frequency, every, times) == words


def test_names() -> None:
    names: list[dict[str, Any]] = [
        {"use": "old", "family": "Before"},
        {"use": "official", "given": ["Ada", "B."], "family": "Okoro", "prefix": ["Dr"]},
    ]
    assert human_name(names) == "Dr Ada B. Okoro"
    assert name_words({"resourceType": "Organization", "name": "House"}) == "House"
    role = {"resourceType": "PractitionerRole", "practitioner": {"display": "Ada Okoro"}}
    assert name_words(role) == "Ada Okoro"


def test_code_without_display_is_called_by_its_code_system() -> None:
    system = "https://hyoid.example/fhir/CodeSystem/missed-reason"
    assert called({"system": system, "code": "illness"}) == "Illness"
    assert called({"system": "http://x.example", "code": "x"}) == "x"
    assert said({"coding": [{"code": "x"}, {"code": "y", "display": "Why"}]}) == "Why"
    assert said({"text": "As told", "coding": [{"display": "Other"}]}) == "As told"
    assert said(None) == ""


def test_trends_in_text() -> None:
    assert arrows([9.0, 6.25, 3.0]) == "9 → 6.25 → 3"
    assert bars([0, 7]) == "▁█"
    assert bars([5, 5]) == "▁▁"
    assert bars([2, 4], floor=0.0) == "▅█"
    assert bars([]) == ""
    assert spread(list(range(100)), 5) == [0, 25, 50, 74, 99]
    assert spread([1, 2], 5) == [1, 2]
