"""Does a text match a regular expression? (FHIRPath N1: matches, replaceMatches)

Patterns come from plans and profiles, so from outside: they run on RE2, which does not backtrack.
What RE2 does not know (looking around, references back to a group) is refused.
"""

from __future__ import annotations

import functools
import re
from typing import Any

import re2

from service.standard.validation.fhirpath.budget import Budget
from service.standard.validation.fhirpath.tree import NotReadableError

LONGEST = 1_000
_MEMORY = 1 << 20
"""Bytes for a compiled pattern and what it keeps while it looks."""
_REFERENCE = re.compile(r"\\(?:([0-9]{1,2})|(.)|$)", re.DOTALL)


@functools.lru_cache(maxsize=256)
def pattern(text: str) -> Pattern:
    """The pattern of this text. Raises NotReadableError."""
    if len(text) > LONGEST:
        raise NotReadableError(f"a pattern has at most {LONGEST} characters")
    return Pattern(text)


class Pattern:
    """A compiled pattern; `.` is any character, also a line end."""

    def __init__(self, text: str) -> None:
        options = re2.Options()
        options.dot_nl, options.log_errors, options.max_mem = True, False, _MEMORY
        try:
            self._compiled: Any = re2.compile(text, options)
        except (re2.error, UnicodeEncodeError):
            raise NotReadableError(f"the pattern {text[:80]!r} cannot be used") from None
        self._size: int = self._compiled.programsize

    def is_in(self, text: str, budget: Budget) -> bool:
        """Whether some part of the text matches."""
        self._spend(len(text), budget)
        try:
            return self._compiled.search(text) is not None
        except UnicodeEncodeError:  # half of a surrogate pair is no character
            return False

    def replaced(self, text: str, new: Replacement, budget: Budget) -> str:
        """The text with all parts that match replaced."""
        found: list[str] = []
        end = 0
        try:
            for match in self._compiled.finditer(text):
                self._spend(len(text) - end, budget)
                found.append(text[end : match.start()])
                for part in new.parts:
                    piece = part if isinstance(part, str) else match[part] or ""
                    budget.take(1 + (len(piece) >> 6))
                    found.append(piece)
                end = match.end()
        except UnicodeEncodeError:
            return text
        return "".join([*found, text[end:]])

    def replacement(self, text: str) -> Replacement:
        """What stands instead: a text in which `\\1` is what the first group matched, and `\\\\`
        a backslash. Raises NotReadableError."""
        if len(text) > LONGEST:
            raise NotReadableError(f"a replacement has at most {LONGEST} characters")
        parts: list[str | int] = []
        end = 0
        for found in _REFERENCE.finditer(text):
            parts.append(text[end : found.start()])
            parts.append(self._meant(found[1], found[2]))
            end = found.end()
        return Replacement((*parts, text[end:]))

    def _meant(self, number: str | None, escaped: str | None) -> str | int:
        if number is not None and 0 < int(number) <= self._compiled.groups:
            return int(number)
        if escaped == "\\":
            return "\\"
        raise NotReadableError("a replacement has `\\` before a number of a group or another `\\`")

    def _spend(self, length: int, budget: Budget) -> None:
        budget.spend(1 + (length * self._size >> 10))


class Replacement:
    """Texts, and numbers of groups between them."""

    def __init__(self, parts: tuple[str | int, ...]) -> None:
        self.parts = tuple(part for part in parts if part != "")
