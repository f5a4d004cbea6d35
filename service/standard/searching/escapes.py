r"""How is a search value split at `,`, `$` and `|`, and what do `\,`, `\$`, `\|`, `\\` stand for?

Source: http://hl7.org/fhir/R4/search.html#escaping.
"""

from __future__ import annotations

import re

_ESCAPED = re.compile(r"\\([\\,$|])")


def split(text: str, separator: str, limit: int = -1) -> list[str]:
    """Cut at each separator that is not escaped, at most `limit` times; escapes stay."""
    if "\\" not in text:
        return text.split(separator, limit)
    parts: list[str] = []
    start = place = 0
    while place < len(text) and len(parts) != limit:
        if text[place] == "\\":
            place += 2
            continue
        if text[place] == separator:
            parts.append(text[start:place])
            start = place + 1
        place += 1
    return [*parts, text[start:]]


def unescape(text: str) -> str:
    """The text that was meant. A backslash before any other character stands for itself."""
    return _ESCAPED.sub(r"\1", text) if "\\" in text else text
