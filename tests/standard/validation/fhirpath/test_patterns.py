"""FHIRPath N1, matches and replaceMatches. Outside source: Python's `re` gives the same for
patterns that both engines know; and what an attacker may send."""

from __future__ import annotations

import re

import pytest

from service.standard.validation.fhirpath.budget import UNBOUNDED, Budget, BudgetError
from service.standard.validation.fhirpath.patterns import LONGEST, pattern
from service.standard.validation.fhirpath.tree import NotReadableError

TEXTS = ["", "a", "aaa", "Patient.name", "ab\ncd", "1,50", "Ä ö", "(x)", "2026-03-04", "x\n"]


@pytest.mark.parametrize(
    "wanted",
    [
        "a",
        "^a+$",
        "a|b",
        "(a|b)+c",
        "^.*$",
        "b.c",
        "[0-9]{1,2},[0-9]+",
        "[^a-z]",
        r"\(.\)",
        r"^[^\s.,:;'\"/|?!@#$%&*()\[\]{}]{1,64}(\.[^\s.,:;'\"/|?!@#$%&*()\[\]{}]{1,64})*\z",
        "^([A-Z][a-z]+)[.]([a-z]+)",
        "ö",
        "(?i)PATIENT",
        "",
    ],
)
def test_both_engines_find_and_replace_the_same(wanted: str) -> None:
    theirs = re.compile(wanted.replace(r"\z", r"\Z"), re.DOTALL)
    ours = pattern(wanted)
    new = r"<\\>" + r"\1" * (theirs.groups > 0)
    for text in TEXTS:
        assert ours.is_in(text, UNBOUNDED) is (theirs.search(text) is not None), text
        if wanted != "^.*$":
            assert ours.replaced(text, ours.replacement(new), UNBOUNDED) == theirs.sub(new, text)


@pytest.mark.parametrize(
    "wanted",
    ["(", "*", "[", "a{2,1}", r"\1", "(a)\\1", "(?=a)", "(?<!a)b", "(?P<n", "(x{1,999}){1,999}"],
)
def test_what_is_no_pattern_is_refused(wanted: str) -> None:
    with pytest.raises(NotReadableError):
        pattern(wanted)


@pytest.mark.parametrize("new", [r"\9", r"\0", r"\2", "\\", r"\n", r"\g<1>", "x" * (LONGEST + 1)])
def test_what_is_no_replacement_is_refused(new: str) -> None:
    with pytest.raises(NotReadableError):
        pattern("(x)").replacement(new)


def test_long_patterns_are_refused() -> None:
    pattern("x" * LONGEST)
    with pytest.raises(NotReadableError):
        pattern("x" * (LONGEST + 1))


def test_half_a_character_matches_nothing() -> None:
    assert not pattern("x").is_in("x\ud800", UNBOUNDED)
    assert pattern("x").replaced("x\ud800", pattern("x").replacement("y"), UNBOUNDED) == "x\ud800"


def test_no_pattern_backtracks() -> None:
    """A step is a thousand states looked at; what backtracks would need 2 to the 2000."""
    budget = Budget(steps=1000)
    assert not pattern("(a+)+$").is_in("a" * 2000 + "!", budget)
    assert budget.steps > 900


def test_looking_and_replacing_cost_by_the_length_of_the_text() -> None:
    every = pattern("x.*?y|x")
    with pytest.raises(BudgetError):
        every.is_in("x" * 10_000_000, Budget(1000))
    with pytest.raises(BudgetError):
        every.replaced("x" * 100_000, every.replacement("z"), Budget(10_000))
    with pytest.raises(BudgetError):
        every.replaced("x" * 1000, every.replacement("z" * 900), Budget(room=5000))
