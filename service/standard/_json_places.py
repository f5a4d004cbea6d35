"""Where in a JSON text is the fault that the fast decoder only noticed?

The decoder in `codec.py` notices duplicate keys, NaN, lone surrogates, deep nesting and absurd
numbers without knowing their place. This slow second pass over the tokens finds the first one.
It runs only when a text is refused. JSON: RFC 8259; its I-JSON profile, RFC 7493 section 2,
asks for unique names and no lone surrogates.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import NamedTuple

_TOKEN = re.compile(
    r'(?P<string>"(?:[^"\\]|\\.)*")|(?P<number>-?[0-9][0-9.eE+-]*)'
    r"|(?P<word>-?[A-Za-z]+)|(?P<mark>[\[\]{}:,])",
    re.DOTALL,
)
_SURROGATE = re.compile("[\ud800-\udfff]")
_PAIRED = re.compile(
    r"(?:[^\\]++|\\(?:[^u]|u(?![dD][89a-fA-F]))|\\u[dD][89abAB]..\\u[dD][c-fC-F]..)*+", re.DOTALL
)
"""Escapes of a text that is well-formed otherwise: none of a surrogate, or of both halves."""
_SHOWN = 40


class Fault(NamedTuple):
    """What is wrong, and at which character it starts (counted from 0)."""

    text: str
    offset: int


def place(text: str, offset: int) -> str:
    """`line 3, column 7` of a character offset; both are counted from 1."""
    line = text.count("\n", 0, offset) + 1
    column = offset - (text.rfind("\n", 0, offset) + 1) + 1
    return f"line {line}, column {column}"


def has_lone_surrogate(text: str) -> bool:
    """Whether this well-formed JSON text holds an escape of half a surrogate pair."""
    return _PAIRED.fullmatch(text) is None


def first_fault(text: str, max_depth: int, bad_number: Callable[[str], bool]) -> Fault | None:
    """The first fault of the kinds that the fast decoder cannot place."""
    opened: list[set[str] | None] = []
    expects_name = False
    for match in _TOKEN.finditer(text):
        token, kind = match.group(), match.lastgroup
        if token in "{[":
            opened.append(set() if token == "{" else None)
            expects_name = token == "{"
            if len(opened) > max_depth:
                return Fault(f"Nested deeper than {max_depth} levels", match.start())
        elif token in "}]":
            if opened:
                opened.pop()
            expects_name = False
        elif token == ",":
            expects_name = bool(opened) and opened[-1] is not None
        elif kind == "string":
            fault = _string_fault(token, opened[-1] if expects_name else None)
            if fault:
                return Fault(fault, match.start())
            expects_name = False
        elif kind == "number" and bad_number(token):
            return Fault("A number too long or too large to compute with", match.start())
        elif kind == "word" and token not in ("true", "false", "null"):
            return Fault(f"{token[:_SHOWN]} is not JSON", match.start())
    return None


def _string_fault(token: str, names: set[str] | None) -> str | None:
    if _is_lone(token):
        return "A string holds half of a surrogate pair, which is no character"
    if names is None:
        return None
    name = _read(token)
    if name in names:
        return f"The name {name[:_SHOWN]!r} appears twice in one object"
    names.add(name)
    return None


def _is_lone(token: str) -> bool:
    return "\\u" in token and _SURROGATE.search(_read(token)) is not None


def _read(token: str) -> str:
    try:
        return str(json.loads(token))
    except ValueError:
        return token
