"""Does text compare as R4 says? Source: R4, Search, section string; Unicode UAX #15."""

from __future__ import annotations

import hashlib
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.standard.extraction.text import clip, fold


@pytest.mark.parametrize(
    ("text", "folded"),
    [
        ("Zoë", "zoe"),
        ("Zoe\u0308", "zoe"),
        ("STRASSE", "strasse"),
        ("Straße", "strasse"),
        ("ﬁne", "fine"),
        ("İstanbul", "istanbul"),
        ("  two\t\u00a0words\n", "two words"),
        ("O'Neill-Smith, J.", "o'neill-smith, j."),
        ("ΆΣ", "ας"[0:1] + "σ"),
        ("東京", "東京"),
        ("", ""),
        (" \n", ""),
    ],
)
def test_fold(text: str, folded: str) -> None:
    assert fold(text) == folded


@given(st.text())
def test_forms_of_normalisation_fold_to_one(text: str) -> None:
    forms = {fold(unicodedata.normalize(form, text)) for form in ("NFC", "NFD", "NFKC", "NFKD")}
    assert forms == {fold(text)}


def test_folding_twice_changes_nothing_for_any_character() -> None:
    characters = (chr(point) for point in range(sys.maxunicode + 1) if not 0xD800 <= point < 0xE000)
    unstable = [c for c in characters if fold(fold(c)) != fold(c)]
    assert unstable == []


def test_short_text_is_kept_and_long_text_gets_a_digest() -> None:
    assert clip("a" * 200) == "a" * 200
    long = "ä" * 201
    digest = hashlib.sha256(long.encode()).hexdigest()[:32]
    assert clip(long) == "ä" * 160 + "…" + digest
    assert len(clip("b" * 100_000)) == 193


@given(st.text(min_size=201, max_size=300), st.text(min_size=201, max_size=300))
def test_clipped_texts_are_equal_only_where_the_texts_are(one: str, other: str) -> None:
    assert (clip(one) == clip(other)) == (one == other)


def test_beginnings_survive_clipping() -> None:
    assert clip("x" * 150 + "y" * 100).startswith("x" * 150)
