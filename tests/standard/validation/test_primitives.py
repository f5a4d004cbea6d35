"""Outside source: R4, Data Types, Primitive Types: the sentences and regular expressions there,
which the official package repeats (mappings/r4/primitives.json)."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.codec import Number
from service.standard.definitions import definitions
from service.standard.validation.primitives import DATATYPES, MAX_CHARACTERS

DAYS = ["0001", "2026", "2026-12", "2024-02-29", "9999-12-31"]
NO_DAYS = ["", "26", "0000", "2026-00", "2026-13", "2026-2-1", "2026-02-30", "2025-02-29", "now"]
TIMES = [
    "2016-12-31T23:59:60Z",
    "2026-01-01T00:00:00+14:00",
    "2026-01-01T00:00:00-13:59",
    "2026-01-01T00:00:00.123456789012Z",
]
NO_TIMES = [
    "2026-02-01T10:00:00",
    "2026-02-01T10:00Z",
    "2026-02-01T24:00:00Z",
    "2026-02-01T10:00:00+14:30",
    "2026-02-01 10:00:00Z",
    "2026-02-01T10:00:00Z\n",
    "2026-02-30T10:00:00Z",
]
TEXTS = ["a", " a ", "a\tb\r\nc", "é😀", "\x7f\x85", "\u200b", "x" * MAX_CHARACTERS]
NO_TEXTS = ["", "a\x00", "\x1f", "\x0b", "\ud800", "x" * (MAX_CHARACTERS + 1)]

GOOD: dict[str, list[Any]] = {
    "boolean": [True, False],
    "integer": [0, -(2**31), 2**31 - 1],
    "unsignedInt": [0, 2**31 - 1],
    "positiveInt": [1, 2**31 - 1],
    "decimal": [0, 1, 2**60, Number("1.00"), Decimal("0.1"), 0.5, Number("1e-400")],
    "string": TEXTS,
    "markdown": TEXTS,
    "code": ["a", "a b", "<=", "a\u00a0b"],
    "id": ["a", "1.-A", "a" * 64],
    "uri": ["http://a", "urn:oid:1.2", "a/b#c", "é", "urn:uuid:a"],
    "url": ["http://a", "mailto:a@b"],
    "canonical": ["http://a|1.0", "#a"],
    "oid": ["urn:oid:1.2.3", "urn:oid:2.0"],
    "uuid": ["urn:uuid:c757873d-ec9a-4326-a141-556f43239520"],
    "base64Binary": ["AAAA", "AA==", "AAA=", "AAAA\r\nAAAA", " AAAA ", "+/09"],
    "date": DAYS,
    "dateTime": DAYS + TIMES,
    "instant": TIMES,
    "time": ["00:00:00", "23:59:60", "12:00:00.123456789"],
    "xhtml": ["<div/>"],
}
BAD: dict[str, list[Any]] = {
    "boolean": ["true", 1, 0],
    "integer": [2**31, -(2**31) - 1, True, Number("1.0"), Number("1e2"), "1"],
    "unsignedInt": [-1, 2**31, "0"],
    "positiveInt": [0, -1],
    "decimal": ["1", True, Decimal("NaN"), float("inf")],
    "string": NO_TEXTS,
    "markdown": NO_TEXTS,
    "code": ["", " a", "a ", "a  b", "a\tb", "a\nb", "\x00"],
    "id": ["", "a" * 65, "a b", "a/b", "é", "a\n"],
    "uri": ["", "a b", " a", "a\n", "oid:1.2", "uuid:a", "a\x00"],
    "url": ["", "http://a b"],
    "canonical": ["", "http://a |1"],
    "oid": ["1.2.3", "urn:oid:3.1", "urn:oid:1.02", "urn:oid:1"],
    "uuid": ["c757873d-ec9a-4326-a141-556f43239520", "urn:uuid:" + "A" * 36, "urn:uuid:a"],
    "base64Binary": ["", "A", "AAA", "AAA_", "A===", "=AAA", " "],
    "date": [*NO_DAYS, *TIMES],
    "dateTime": NO_DAYS + NO_TIMES,
    "instant": DAYS + NO_TIMES,
    "time": ["10:00", "24:00:00", "10:00:00Z", "10:60:00", "1:00:00"],
    "xhtml": ["", "\x00"],
}
JUNK: list[Any] = [None, [], {}, [1], {"a": 1}]


@pytest.mark.parametrize("name", GOOD)
def test_values_of_the_datatype_hold(name: str) -> None:
    assert [value for value in GOOD[name] if not DATATYPES[name].holds(value)] == []


@pytest.mark.parametrize("name", BAD)
def test_values_of_another_kind_do_not(name: str) -> None:
    assert [value for value in BAD[name] + JUNK if DATATYPES[name].holds(value)] == []


def test_every_primitive_of_the_tables_has_a_test() -> None:
    names = {name for name in DATATYPES if definitions().primitive(name) is not None}
    assert names == set(DATATYPES) == set(GOOD) == set(BAD)


TEXTUAL = sorted(set(DATATYPES) - {"boolean", "integer", "unsignedInt", "positiveInt", "decimal"})


@given(st.sampled_from(TEXTUAL), st.text("0129-:.TZ+ \taurnoid/=\u00a0\x01", max_size=25))
def test_nothing_holds_that_the_official_pattern_refuses(name: str, text: str) -> None:
    primitive = definitions().primitive(name)
    assert primitive is not None
    if DATATYPES[name].holds(text) and primitive.pattern:
        assert re.fullmatch(primitive.pattern, text, re.ASCII)


@pytest.mark.parametrize("length", [100, 100_000])
def test_hostile_base64_is_refused_without_backtracking(length: int) -> None:
    assert not DATATYPES["base64Binary"].holds(" " * length + "!")
