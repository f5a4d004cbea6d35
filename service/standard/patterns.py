"""What does a regular expression from outside match? Run on RE2, which does not backtrack.

Patterns come with value sets, plans, profiles and forms. Their time grows with the text and the
pattern alone. What RE2 does not know (looking around, references back to a group) is refused.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from typing import Any

import re2

LONGEST = 1_000
_MEMORY = 1 << 20
"""Bytes for a compiled pattern and what it keeps while it looks."""


class PatternError(ValueError):
    """Not a pattern that can be used here; the text says why."""


@functools.lru_cache(maxsize=256)
def pattern(text: str, *, dot_is_any: bool = False) -> Pattern:
    """The pattern of this text. Raises PatternError."""
    return Pattern(text, dot_is_any)


class Pattern:
    """A compiled pattern; with `dot_is_any`, `.` is a line end too."""

    def __init__(self, text: str, dot_is_any: bool) -> None:
        if len(text) > LONGEST:
            raise PatternError(f"a pattern has at most {LONGEST} characters")
        options = re2.Options()
        options.dot_nl, options.log_errors, options.max_mem = dot_is_any, False, _MEMORY
        try:
            self._compiled: Any = re2.compile(text, options)
        except (re2.error, UnicodeEncodeError):
            raise PatternError(f"the pattern {text[:80]!r} cannot be used") from None
        self.size: int = self._compiled.programsize
        """What looking costs for each character of a text, in steps of the engine."""
        self.groups: int = self._compiled.groups

    def is_in(self, text: str) -> bool:
        """Whether some part of the text matches."""
        try:
            return self._compiled.search(text) is not None
        except UnicodeEncodeError:  # half of a surrogate pair is no character
            return False

    def is_whole(self, text: str) -> bool:
        """Whether the whole text matches."""
        try:
            return self._compiled.fullmatch(text) is not None
        except UnicodeEncodeError:
            return False

    def each(self, text: str) -> Iterator[Any]:
        """The matches, one after the other, like those of `re.finditer`."""
        try:
            yield from self._compiled.finditer(text)
        except UnicodeEncodeError:
            return
