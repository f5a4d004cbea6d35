"""On which line of a JSON text does the element of a FHIRPath stand?

Follows the simple FHIRPath of an issue (`Observation.component[1].code`,
http://hl7.org/fhir/R4/fhirpath.html#simple) through the text as far as it leads.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}:,]|[^\s\[\]{}:,"]+', re.DOTALL)
_STEP = re.compile(r"([A-Za-z_]\w*)(?:\[(\d+)\])?")

Step = str | int


def lines_of(text: str) -> dict[tuple[Step, ...], int]:
    """The line (from 1) on which each element of a well-formed JSON text starts."""
    found: dict[tuple[Step, ...], int] = {}
    path: list[Step] = []
    opened: list[str] = []
    is_name = False
    for line, token in _tokens(text):
        if token in "}]":
            opened.pop()
            path = path[: len(opened)]
            is_name = False
        elif token == ",":
            is_name = opened[-1] == "{"
            if not is_name and isinstance(path[-1], int):
                path[-1] += 1
        elif token == ":":
            continue
        elif is_name:
            path = [*path[: len(opened) - 1], token[1:-1]]
            found.setdefault(tuple(path), line)
            is_name = False
        else:
            found.setdefault(tuple(path), line)
            if token in "{[":
                opened.append(token)
                is_name = token == "{"
                path = [*path[: len(opened) - 1], *([0] if token == "[" else [])]
    return found


def line_of(lines: dict[tuple[Step, ...], int], expression: str) -> int:
    """The line of the element, or of the nearest one around it that the text has."""
    steps: list[Step] = []
    for part in expression.split(".")[1:]:
        match = _STEP.fullmatch(part)
        if match is None:
            break
        steps.append(match[1])
        if match[2] is not None:
            steps.append(int(match[2]))
    while steps and tuple(steps) not in lines:
        steps.pop()
    return lines.get(tuple(steps), 1)


def _tokens(text: str) -> Iterator[tuple[int, str]]:
    line, at = 1, 0
    for match in _TOKEN.finditer(text):
        line += text.count("\n", at, match.start())
        at = match.start()
        yield line, match.group()
