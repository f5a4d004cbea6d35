"""Do these words say that it is so? The fallback where a record has no code.

Only whole words in names (`code.text`, displays) are looked at, never notes. A phrase counts
unless a few words before it deny it. What is found so is told as found by its words: a person
must look.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator
from typing import Any

_DENIED = r"\b(?:no|without|denies|denied|ruled out|negative for|free of|absent)\W+(?:\w+\W+){0,3}$"
_DENIED_ALLERGY = r"\b(?:no known|not allergic to|denies|denied|ruled out)\W+(?:\w+\W+){0,3}$"
_CLAUSES = re.compile(r"[.;:!?\n]|\bbut\b")


@functools.cache
def _phrase(words: str) -> re.Pattern[str]:
    return re.compile(rf"\b{re.escape(words)}(?:s|es)?\b", re.IGNORECASE)


def says(text: str, phrases: tuple[str, ...], *, allergy: bool = False) -> bool:
    """Whether the text holds one of the phrases and does not deny it.

    In the name of an allergy, `No lemon` is an order and not a denial.
    """
    denied = re.compile(_DENIED_ALLERGY if allergy else _DENIED, re.IGNORECASE)
    for clause in _CLAUSES.split(text):
        for words in phrases:
            for found in _phrase(words).finditer(clause):
                if not denied.search(clause[: found.start()]):
                    return True
    return False


def names_in(concept: Any) -> Iterator[str]:
    """The words of a CodeableConcept: its text and the displays of its codings."""
    if not isinstance(concept, dict):
        return
    if isinstance(concept.get("text"), str):
        yield concept["text"]
    for coding in concept.get("coding", ()):
        if isinstance(coding.get("display"), str):
            yield coding["display"]
