"""Which words does `_text` or `_content` ask for? R4 search page, #content: the language is open.

Ours is small, so that every database answers it alike:

    tongue pressure     both words, anywhere
    "tongue pressure"   the words one after another
    press*              a word that begins so, with three letters or digits at least
    tongue,lips         one or the other, as in every parameter

A word that punctuation divides, as `on-site`, stands for its parts one after another.
"""

from __future__ import annotations

import re

from service.standard.extraction.words import LONGEST, words
from service.standard.searching.escapes import unescape
from service.standard.searching.query import Term
from service.standard.searching.refusals import too_much, wrong_value

SHORTEST_BEGINNING = 3
MOST_TERMS = 100
"""In all alternatives together."""

_PART = re.compile(r'"(?P<phrase>[^"]*)"(?=\s|$)|(?P<word>[^\s"]+)(?=\s|$)')


def read_terms(name: str, texts: list[str]) -> tuple[tuple[Term, ...], ...]:
    """The alternatives, each with the terms that must all be there.

    Raises Invalid where a text is not of this language, TooCostly where it asks for too much.
    """
    found = tuple(_terms(name, unescape(text)) for text in texts)
    if sum(map(len, found)) > MOST_TERMS:
        raise too_much(name, f"more than {MOST_TERMS} words and phrases")
    return found


def _terms(name: str, text: str) -> tuple[Term, ...]:
    terms: list[Term] = []
    place, text = 0, text.strip()
    while place < len(text):
        part = _PART.match(text, place)
        if part is None:
            raise wrong_value(name, f"{text[place : place + 80]!r} has a stray quotation mark")
        phrase = part["phrase"]
        terms.append(_word(name, part["word"]) if phrase is None else _phrase(name, phrase))
        place = part.end()
        while place < len(text) and text[place].isspace():
            place += 1
    if not terms:
        raise wrong_value(name, "there is no word in it")
    return tuple(dict.fromkeys(terms))


def _phrase(name: str, text: str) -> Term:
    if "*" in text:
        raise wrong_value(name, f'"{text[:80]}": * is for single words')
    return Term(_some(name, text))


def _word(name: str, text: str) -> Term:
    stem = text.removesuffix("*")
    if "*" in stem:
        raise wrong_value(name, f"{text[:80]!r}: * stands only at the end of a word")
    found = _some(name, stem)
    begins = stem != text
    if begins and not words(stem[-1]):
        raise wrong_value(name, f"{text[:80]!r}: * must follow a letter or digit")
    if begins and len(found[-1]) < SHORTEST_BEGINNING:
        raise wrong_value(
            name, f"{text[:80]!r}: before * at least {SHORTEST_BEGINNING} letters or digits"
        )
    # A word that is already as long as words get is all that is kept of it.
    return Term(found, begins and len(found[-1]) < LONGEST)


def _some(name: str, text: str) -> tuple[str, ...]:
    found = tuple(words(text))
    if not found:
        raise wrong_value(name, f"{text[:80]!r} has no letter or digit")
    return found
