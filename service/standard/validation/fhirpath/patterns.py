"""Does a text match a regular expression, and what stands in its place? (FHIRPath N1: matches,
replaceMatches) Looking counts against the budget."""

from __future__ import annotations

import functools
import re

from service.standard import patterns
from service.standard.patterns import LONGEST, PatternError
from service.standard.validation.fhirpath.budget import Budget
from service.standard.validation.fhirpath.tree import NotReadableError

_REFERENCE = re.compile(r"\\(?:([0-9]{1,2})|(.)|$)", re.DOTALL)


@functools.lru_cache(maxsize=256)
def pattern(text: str) -> Pattern:
    """The pattern of this text. Raises NotReadableError."""
    try:
        return Pattern(patterns.pattern(text, dot_is_any=True))
    except PatternError as error:
        raise NotReadableError(str(error)) from None


class Pattern:
    """A pattern; `.` is any character, also a line end."""

    def __init__(self, found: patterns.Pattern) -> None:
        self._pattern = found

    def is_in(self, text: str, budget: Budget) -> bool:
        """Whether some part of the text matches."""
        self._spend(len(text), budget)
        return self._pattern.is_in(text)

    def replaced(self, text: str, new: Replacement, budget: Budget) -> str:
        """The text with all parts that match replaced."""
        found: list[str] = []
        end = 0
        for match in self._pattern.each(text):
            self._spend(len(text) - end, budget)
            found.append(text[end : match.start()])
            for part in new.parts:
                piece = part if isinstance(part, str) else match[part] or ""
                budget.take(1 + (len(piece) >> 6))
                found.append(piece)
            end = match.end()
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
        if number is not None and 0 < int(number) <= self._pattern.groups:
            return int(number)
        if escaped == "\\":
            return "\\"
        raise NotReadableError("a replacement has `\\` before a number of a group or another `\\`")

    def _spend(self, length: int, budget: Budget) -> None:
        budget.spend(1 + (length * self._pattern.size >> 10))


class Replacement:
    """Texts, and numbers of groups between them."""

    def __init__(self, parts: tuple[str | int, ...]) -> None:
        self.parts = tuple(part for part in parts if part != "")
