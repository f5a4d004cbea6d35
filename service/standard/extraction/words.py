"""Which words does a text consist of, for `_text` and `_content`?

FHIR R4, Search, #content, leaves this to the service. Ours: the text is folded as that of strings
is (`text.fold`: case, accents, normalisation form), and every run of letters and digits is a word.
No stemming and no stop words: a text in any language is found by what stands in it, and every
database finds the same, as none is asked to cut text itself.
"""

from __future__ import annotations

import re

from service.standard.extraction.text import fold

LONGEST = 64
"""Characters of a word that count; the rest is not looked at, stored or searched."""

_WORD = re.compile(r"[^\W_]+")


def words(text: str) -> list[str]:
    """The words of a text in their order."""
    return [word[:LONGEST] for word in _WORD.findall(fold(text))]
