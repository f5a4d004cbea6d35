"""How are `_text` and `_content` read? The language is ours: R4 leaves it open."""

from __future__ import annotations

import pytest

from service.errors import HyoidError
from service.standard.search_query import parse_search
from service.standard.searching.query import HasWords, Term


def _read(text: str, name: str = "_content", type_: str | None = "Observation") -> HasWords:
    (found,) = parse_search(type_, [(name, text)], strict=True).criteria
    assert isinstance(found, HasWords)
    return found


@pytest.mark.parametrize(
    ("text", "alternatives"),
    [
        ("Lip", ((Term(("lip",)),),)),
        ("lip  tongue lip", ((Term(("lip",)), Term(("tongue",))),)),
        ('"Lip strength" left', ((Term(("lip", "strength")), Term(("left",))),)),
        ("síla,lip", ((Term(("sila",)),), (Term(("lip",)),))),
        ("on-site", ((Term(("on", "site")),),)),
        ("press*", ((Term(("press",), True),),)),
        ("x-ray*", ((Term(("x", "ray"), True),),)),
        (r"a\,b", ((Term(("a", "b")),),)),
        ("AND", ((Term(("and",)),),)),
        (f"{'x' * 80}*", ((Term(("x" * 64,)),),)),
    ],
)
def test_words_phrases_beginnings_alternatives(
    text: str, alternatives: tuple[tuple[Term, ...], ...]
) -> None:
    assert _read(text) == HasWords(alternatives, everywhere=True)
    assert _read(text, "_text") == HasWords(alternatives, everywhere=False)


@pytest.mark.parametrize(
    "text",
    ['"lip', 'lip"', 'li"p', '""', '"-"', "-", "*", "ab*", "l*p", "*lip", '"lip*"', "lip-*", " ,a"],
)
def test_what_is_not_of_the_language_is_refused(text: str) -> None:
    with pytest.raises(HyoidError) as refused:
        _read(text)
    assert refused.value.status == 400
    assert refused.value.issues[0].location == "http._content"


def test_modifiers_too_many_words_and_what_has_no_narrative_are_refused() -> None:
    for name in ("_content:exact", "_text:missing"):
        with pytest.raises(HyoidError):
            _read("lip", name)
    with pytest.raises(HyoidError) as refused:
        _read(" ".join(f"w{number}" for number in range(101)))
    assert refused.value.issues[0].code == "too-costly"
    with pytest.raises(HyoidError):
        _read("lip", "_text", "Binary")
    assert _read("lip", "_text", None).alternatives == ((Term(("lip",)),),)
