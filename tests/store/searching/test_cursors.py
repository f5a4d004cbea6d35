"""Can a cursor be forged, altered, or carried to another search?"""

from __future__ import annotations

import base64

import pytest

from service.errors import Invalid
from service.standard.search_query import parse_search
from service.store.searching.cursors import Cursor, seal, unseal

QUERY = parse_search("Observation", [("code", "x"), ("_sort", "date")])
CURSOR = Cursor(-1, (1_700_000_000_000_000, None, "Ö", 0.1, 42), backwards=True)


def test_it_comes_back_as_it_was() -> None:
    assert unseal(seal(CURSOR, QUERY, b"key"), QUERY, b"key") == CURSOR


def test_the_number_of_resources_on_a_page_may_change() -> None:
    other = parse_search("Observation", [("code", "x"), ("_sort", "date"), ("_count", "7")])
    assert unseal(seal(CURSOR, QUERY, b"key"), other, b"key") == CURSOR


@pytest.mark.parametrize(
    "pairs",
    [
        [("code", "y"), ("_sort", "date")],
        [("code", "x"), ("_sort", "-date")],
        [("code", "x")],
    ],
)
def test_it_is_bound_to_its_search(pairs: list[tuple[str, str]]) -> None:
    with pytest.raises(Invalid):
        unseal(seal(CURSOR, QUERY, b"key"), parse_search("Observation", pairs), b"key")


def test_it_is_bound_to_its_compartment_and_type() -> None:
    pairs = [("code", "x"), ("_sort", "date")]
    for other in (
        parse_search("Procedure", pairs),
        parse_search("Observation", pairs, compartment="p1"),
    ):
        with pytest.raises(Invalid):
            unseal(seal(CURSOR, QUERY, b"key"), other, b"key")


def test_no_letter_of_it_can_be_changed() -> None:
    text = seal(CURSOR, QUERY, b"key")
    for at in range(len(text)):
        for other in "AB_":
            if text[at] != other:
                with pytest.raises(Invalid):
                    unseal(text[:at] + other + text[at + 1 :], QUERY, b"key")


@pytest.mark.parametrize("text", ["", "A", "é", "=" * 8, "A" * 5000, "%00", " "])
def test_what_is_no_cursor_is_refused(text: str) -> None:
    with pytest.raises(Invalid):
        unseal(text, QUERY, b"key")


def test_another_key_does_not_open_it() -> None:
    with pytest.raises(Invalid):
        unseal(seal(CURSOR, QUERY, b"key"), QUERY, b"other")
    told = base64.urlsafe_b64encode(bytes(16) + b"[null,0,1]").rstrip(b"=").decode()
    with pytest.raises(Invalid):
        unseal(told, QUERY, b"key")
