"""Regular expressions from outside. Outside source: Python's `re`, on the notation they share."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.patterns import PatternError, pattern

ATOMS = st.sampled_from(["a", "b", "1", "-", ".", "[ab]", "[^a]", r"\d", r"\w", "[a-b1]", r"\-"])
PIECES = st.recursive(
    ATOMS,
    lambda inner: st.one_of(
        st.tuples(inner, inner).map("".join),
        st.tuples(inner, inner).map(lambda pair: f"({pair[0]}|{pair[1]})"),
        st.tuples(inner, st.sampled_from(["*", "+", "?", "{2}", "{1,2}", "{1,}"])).map(
            lambda pair: f"(?:{pair[0]}){pair[1]}"
        ),
    ),
    max_leaves=8,
)


@given(PIECES, st.text("ab1-", max_size=7))
def test_matches_what_python_matches_as_a_whole(text: str, candidate: str) -> None:
    assert pattern(text).is_whole(candidate) == bool(re.fullmatch(text, candidate))


def test_patterns_of_the_official_value_sets() -> None:
    """Source: ValueSet iso3166-1-3 and iso3166-1-N of hl7.fhir.r4.core."""
    assert pattern("[A-Z]{3}").is_whole("DEU")
    assert not pattern("[A-Z]{3}").is_whole("DE")
    assert not pattern("[A-Z]{3}").is_whole("DEUT")
    assert pattern("[0-9]{3}").is_whole("276")


def test_ends_may_be_marked() -> None:
    assert pattern("^tongue-.*$").is_whole("tongue-tip")
    assert not pattern("^tongue-.*$").is_whole("lip-tongue-tip")


@pytest.mark.parametrize("hostile", ["(a*)*b", "(a|a)*b", "(a+)+(a+)+x", ".*.*.*.*.*x"])
def test_no_pattern_backtracks(hostile: str) -> None:
    """Source: textbook cases of catastrophic backtracking; a backtracking engine never returns."""
    assert not pattern(hostile).is_whole("a" * 20_000)


@pytest.mark.parametrize(
    "text",
    [
        *("(", "[a", "*a", "a)", "[b-a]", "a{3,1}", "a{1001}"),
        *("(?=a)", "(?<!a)b", r"(a)\1", "\ud800", "a" * 1_001),
    ],
)
def test_what_is_no_pattern_here_is_refused(text: str) -> None:
    with pytest.raises(PatternError):
        pattern(text)


def test_large_patterns_are_refused() -> None:
    with pytest.raises(PatternError):
        pattern("((a{100}){100}){100}")


def test_half_a_character_matches_nothing() -> None:
    assert not pattern(".*").is_whole("a\ud800")
    assert not pattern(".*").is_in("\ud800")
    assert list(pattern("a").each("a\ud800")) == []


def test_a_dot_is_a_line_end_where_that_is_wanted() -> None:
    assert not pattern("a.b").is_in("a\nb")
    assert pattern("a.b", dot_is_any=True).is_in("a\nb")
