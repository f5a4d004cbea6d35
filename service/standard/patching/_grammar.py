"""What does the path of a FHIRPath Patch say?

R4, FHIRPath Patch, allows only paths that lead to elements, so this reads the part of FHIRPath
(N1, section Grammar) that does: names, indexes, `where(…)` with simple conditions, `first()`,
`last()`, `extension('…')`, `ofType(…)` and their like. Anything else is refused by name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

MAX_LENGTH = 1_000
_MAX_NESTING = 10
_SHOWN = 40


class PathFaultError(ValueError):
    """The path cannot be read, or is no path to an element."""


@dataclass(frozen=True, slots=True)
class Name:
    """A step to the children of this name."""

    name: str


@dataclass(frozen=True, slots=True)
class Index:
    """A step to one of many, counted from 0."""

    number: int


@dataclass(frozen=True, slots=True)
class Call:
    """A step by a function."""

    name: str
    arguments: tuple[Expression, ...]


@dataclass(frozen=True, slots=True)
class Path:
    """Steps from where one stands (`start` None), from `%resource`, or from an expression."""

    start: Expression | None
    steps: tuple[Name | Index | Call, ...]


@dataclass(frozen=True, slots=True)
class Whole:
    """`%resource`"""


@dataclass(frozen=True, slots=True)
class Literal:
    """A text, number, boolean; a date as text."""

    value: str | Decimal | bool


@dataclass(frozen=True, slots=True)
class Binary:
    """`=`, `!=`, `~`, `!~`, `and`, `or`."""

    operator: str
    left: Expression
    right: Expression


Expression = Path | Whole | Literal | Binary

_TOKEN = re.compile(
    r"""\s*(?:
      (?P<name>[A-Za-z_][A-Za-z0-9_]*)
    | `(?P<quoted>[^`\\]*)`
    | '(?P<text>(?:[^'\\]|\\.)*)'
    | (?P<number>[0-9]+(?:\.[0-9]+)?)
    | @(?P<date>T?[0-9][0-9T:.Z+-]*)
    | (?P<variable>[$%][A-Za-z]+)
    | (?P<mark>!=|!~|[=~.,()\[\]])
    )""",
    re.VERBOSE | re.ASCII,
)
_ESCAPE = re.compile(r"\\(u[0-9a-fA-F]{4}|.)", re.DOTALL)
_ESCAPED = {"n": "\n", "r": "\r", "t": "\t", "f": "\f"}
_WHOLE = {"%resource", "%context", "%rootResource"}


class _Token(NamedTuple):
    kind: str
    text: str


_END = _Token("end", "")


def is_plain(path: Expression) -> bool:
    """Whether a path is made of names and indexes alone, so that no content decides where it
    leads."""
    return isinstance(path, Path) and (
        (path.start is None or isinstance(path.start, Whole))
        and all(isinstance(step, Name | Index) for step in path.steps)
    )


def parse(text: str) -> Expression:
    """The path as steps. Raises PathFaultError."""
    if len(text) > MAX_LENGTH:
        raise PathFaultError(f"The path is longer than {MAX_LENGTH} characters")
    reader = _Reader(_tokens(text))
    found = reader.expression(0)
    if reader.next != _END:
        raise reader.unexpected()
    return found


def _tokens(text: str) -> list[_Token]:
    tokens = []
    text = text.rstrip()
    position = 0
    while position < len(text):
        match = _TOKEN.match(text, position)
        if match is None or match.lastgroup is None:
            shown = text[position : position + _SHOWN].strip()
            raise PathFaultError(f"A patch cannot use {shown!r} in a path")
        tokens.append(_Token(match.lastgroup, match.group(match.lastgroup)))
        position = match.end()
    return tokens


def _unescaped(text: str) -> str:
    def character(match: re.Match[str]) -> str:
        code = match.group(1)
        return chr(int(code[1:], 16)) if len(code) == 5 else _ESCAPED.get(code, code)

    return _ESCAPE.sub(character, text)


class _Reader:
    """Recursive descent: or, and, comparison, `as`, steps."""

    def __init__(self, tokens: list[_Token]) -> None:
        self._tokens = tokens
        self._at = 0

    @property
    def next(self) -> _Token:
        return self._tokens[self._at] if self._at < len(self._tokens) else _END

    def unexpected(self) -> PathFaultError:
        if self.next == _END:
            return PathFaultError("The path ends too early")
        return PathFaultError(f"A patch cannot use {self.next.text[:_SHOWN]!r} here in a path")

    def _take(self) -> _Token:
        token = self.next
        self._at += 1
        return token

    def _accept(self, text: str, kind: str = "mark") -> bool:
        if self.next != _Token(kind, text):
            return False
        self._at += 1
        return True

    def _expect(self, text: str) -> None:
        if not self._accept(text):
            raise self.unexpected()

    def expression(self, nesting: int) -> Expression:
        if nesting > _MAX_NESTING:
            raise PathFaultError("The path is nested too deep")
        found = self._conjunction(nesting)
        while self._accept("or", "name"):
            found = Binary("or", found, self._conjunction(nesting))
        return found

    def _conjunction(self, nesting: int) -> Expression:
        found = self._comparison(nesting)
        while self._accept("and", "name"):
            found = Binary("and", found, self._comparison(nesting))
        return found

    def _comparison(self, nesting: int) -> Expression:
        left = self._as_type(nesting)
        if self.next.kind == "mark" and self.next.text in ("=", "!=", "~", "!~"):
            return Binary(self._take().text, left, self._as_type(nesting))
        return left

    def _as_type(self, nesting: int) -> Expression:
        found = self._path(nesting)
        if self._accept("as", "name"):
            return Path(found, (Call("ofType", (self._path(nesting),)),))
        return found

    def _path(self, nesting: int) -> Expression:
        start, steps = self._start(nesting)
        while True:
            if self._accept("."):
                steps.append(self._step(nesting))
            elif self._accept("["):
                steps.append(self._index())
            else:
                break
        if start is not None and not steps:
            return start
        return Path(start, tuple(steps))

    def _start(self, nesting: int) -> tuple[Expression | None, list[Name | Index | Call]]:
        kind, text = self.next
        if self._accept("("):
            inner = self.expression(nesting + 1)
            self._expect(")")
            return inner, []
        if kind == "variable":
            if text != "$this" and text not in _WHOLE:
                raise self.unexpected()
            self._take()
            return (Whole() if text in _WHOLE else None), []
        literal = self._literal()
        if literal is not None:
            return literal, []
        return None, [self._step(nesting)]

    def _literal(self) -> Literal | None:
        kind, text = self.next
        value: str | Decimal | bool
        if kind == "text":
            value = _unescaped(text)
        elif kind == "number":
            value = Decimal(text)
        elif kind == "date":
            value = text.removeprefix("T")
        elif kind == "name" and text in ("true", "false"):
            value = text == "true"
        else:
            return None
        self._take()
        return Literal(value)

    def _step(self, nesting: int) -> Name | Call:
        kind, text = self.next
        if kind not in ("name", "quoted"):
            raise self.unexpected()
        self._take()
        if kind == "quoted" or not self._accept("("):
            return Name(text)
        arguments = []
        if not self._accept(")"):
            arguments.append(self.expression(nesting + 1))
            while self._accept(","):
                arguments.append(self.expression(nesting + 1))
            self._expect(")")
        return Call(text, tuple(arguments))

    def _index(self) -> Index:
        kind, text = self.next
        if kind != "number" or not text.isdigit():
            raise self.unexpected()
        self._take()
        self._expect("]")
        return Index(int(text))
