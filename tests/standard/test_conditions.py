"""Conditions of a request. Sources: RFC 7232 section 2.3.2 (table), RFC 7231 section 7.1.1.1."""

from __future__ import annotations

import pytest

from service.errors import Malformed
from service.standard.conditions import (
    http_date,
    parse_criteria,
    parse_http_date,
    parse_tags,
)

HEADER = "http.If-Match"


@pytest.mark.parametrize(
    ("text", "vid", "match"),
    [
        ('W/"1"', 1, True),
        ('"1"', 1, True),
        ('W/"1"', 2, False),
        ('W/"10"', 1, False),
        ('W/"1", W/"2"', 2, True),
        ('"1","2" , W/"3"', 3, True),
        ('W/"1", W/"2"', 3, False),
        ('  W/"1"  ', 1, True),
        ('W/"a,b", "1"', 1, True),
        ('""', 1, False),
        ("*", 1, True),
        (" * ", 7, True),
        ("*", None, False),
        ('W/"1"', None, False),
    ],
)
def test_tags_are_compared_weakly(text: str, vid: int | None, match: bool) -> None:
    assert parse_tags(text, HEADER).match(vid) is match


NO_TAGS = [
    "",
    " ",
    "3",
    "W/3",
    'w/"3"',
    '"3',
    '3"',
    '"3" "4"',
    '"3",',
    ',"3"',
    '"3",*',
    '"a b"',
    "W/",
]


@pytest.mark.parametrize("text", [*NO_TAGS, '"1",' * 5_000 + '"1"'])
def test_what_is_no_tag_is_malformed(text: str) -> None:
    with pytest.raises(Malformed) as caught:
        parse_tags(text, HEADER)
    assert caught.value.issues[0].location == HEADER


def test_refusal_in_a_bundle_names_the_element() -> None:
    with pytest.raises(Malformed) as caught:
        parse_tags("3", "Bundle.entry[1].request.ifMatch")
    assert caught.value.issues[0].expression == "Bundle.entry[1].request.ifMatch"
    assert caught.value.issues[0].location is None


# RFC 7231, section 7.1.1.1: one moment in its three forms; the instant of R4 beside them.
@pytest.mark.parametrize(
    "text",
    [
        "Sun, 06 Nov 1994 08:49:37 GMT",
        "Sunday, 06-Nov-94 08:49:37 GMT",
        "Sun Nov  6 08:49:37 1994",
        "1994-11-06T08:49:37Z",
        "1994-11-06T09:49:37+01:00",
    ],
)
def test_forms_of_a_date(text: str) -> None:
    moment = parse_http_date(text)
    assert moment == 784111777_000_000
    assert http_date(moment) == "Sun, 06 Nov 1994 08:49:37 GMT"


@pytest.mark.parametrize("text", ["", "yesterday", "Sun, 99 Nov 1994 08:49:37 GMT", "é" * 500])
def test_what_is_no_date_is_none(text: str) -> None:
    assert parse_http_date(text) is None


def test_date_is_cut_to_seconds() -> None:
    assert http_date(999_999) == "Thu, 01 Jan 1970 00:00:00 GMT"


@pytest.mark.parametrize(
    ("text", "pairs"),
    [
        ("identifier=http://x|1", [("identifier", "http://x|1")]),
        ("?identifier=1", [("identifier", "1")]),
        ("Patient?identifier=1", [("identifier", "1")]),
        ("identifier=http%3A%2F%2Fx%7C1&name=A+B", [("identifier", "http://x|1"), ("name", "A B")]),
        ("url=http://x?a", [("url", "http://x?a")]),
        ("given=a&given=b", [("given", "a"), ("given", "b")]),
    ],
)
def test_criteria_are_decoded(text: str, pairs: list[tuple[str, str]]) -> None:
    assert parse_criteria(text, "http.If-None-Exist", "Patient") == pairs


NO_CRITERIA = [
    "",
    "?",
    "identifier",
    "identifier=",
    "identifier=&name=x",
    "name=x&identifier=%20",
    "Group?identifier=1",
    "identifier=%FF",
    "_count=1",
    "name=x&_sort:x=name",
    "&".join(["name=x"] * 101),
]


@pytest.mark.parametrize("text", NO_CRITERIA)
def test_what_would_match_anything_is_malformed(text: str) -> None:
    with pytest.raises(Malformed) as caught:
        parse_criteria(text, "http.If-None-Exist", "Patient")
    assert caught.value.issues[0].location == "http.If-None-Exist"
