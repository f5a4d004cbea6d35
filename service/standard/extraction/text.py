"""How is text brought into the form in which it is compared and kept in an index?"""

from __future__ import annotations

import hashlib
import unicodedata

LONGEST = 200
_KEPT = 160


def fold(text: str) -> str:
    """Text without case, accents, differences of normalisation form and of white space.

    FHIR R4, Search, section string: insensitive to case and combining characters; punctuation
    and non-significant white space is left to us: punctuation stays, white space is collapsed.
    """
    if text.isascii():
        return " ".join(text.lower().split())
    apart = unicodedata.normalize("NFKD", text)
    bare = "".join(mark for mark in apart if not unicodedata.combining(mark))
    return " ".join(unicodedata.normalize("NFKD", bare.casefold()).split())


def clip(text: str) -> str:
    """Text that fits an index row of PostgreSQL, a third of an 8 kB page at most.

    Beyond 200 characters the beginning stays, for search by prefix, and a digest of the whole
    stands for the rest, for equality. A value to be searched for is clipped the same way.
    """
    if len(text) <= LONGEST:
        return text
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{text[:_KEPT]}…{digest[:32]}"
