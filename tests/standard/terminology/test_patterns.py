"""Regular expressions of filters. Outside source: Python's `re`, on the notation they share."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.terminology.patterns import PatternError, pattern

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
    assert pattern(text).matches(candidate) == bool(re.fullmatch(text, candidate))


def test_patterns_of_the_official_value_sets() -> None:
    """Source: ValueSet iso3166-1-3 and iso3166-1-N of hl7.fhir.r4.core."""
    assert pattern("[A-Z]{3}").matches("DEU")
    assert not pattern("[A-Z]{3}").matches("DE")
    assert not pattern("[A-Z]{3}").matches("DEUT")
    assert pattern("[0-9]{3}").matches("276")


def test_ends_may_be_marked() -> None:
    assert pattern("^tongue-.*$").matches("tongue-tip")
    assert not pattern("^tongue-.*$").matches("lip-tongue-tip")


@pytest.mark.parametrize("hostile", ["(a*)*b", "(a|a)*b", "(a+)+(a+)+x", ".*.*.*.*.*x"])
def test_no_pattern_backtracks(hostile: str) -> None:
    """Source: textbook cases of catastrophic backtracking; a backtracking engine never returns."""
    assert not pattern(hostile).matches("a" * 20_000)


@pytest.mark.parametrize(
    "text",
    [
        "(",
        "[a",
        "a{",
        "*a",
        "(?=a)",
        "(?<n>a)",
        "a{3,1}",
        r"\1",
        "a{1000}",
        "a)",
        "[b-a]",
        "a" * 251,
    ],
)
def test_what_is_no_pattern_here_is_refused(text: str) -> None:
    with pytest.raises(PatternError):
        pattern(text)


@pytest.mark.parametrize("text", ["((a{100}){100}){100}", "(){999}" * 3, "((((){999}){999}){999})"])
def test_large_patterns_are_refused_before_they_are_built(text: str) -> None:
    with pytest.raises(PatternError, match="large"):
        pattern(text)
