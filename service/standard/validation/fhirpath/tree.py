"""How is a FHIRPath expression read into a tree?

The part of FHIRPath (N1, "Expressions" and "Operator Precedence") that the invariants of R4 and
of our own profiles are written in: paths, calls, literals, `%` and `$this`, and the operators
below. Arithmetic, indexers and `$index` are not among them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Any


class NotReadableError(ValueError):
    """Not FHIRPath, or a part of it that is not read here."""


@dataclass(frozen=True, slots=True)
class Literal:
    """A string, number or boolean; `{}` is the literal None."""

    value: Any


@dataclass(frozen=True, slots=True)
class Variable:
    """`$this`, or `%resource` and its like, without the sign; `this` where a path starts bare."""

    name: str


@dataclass(frozen=True, slots=True)
class Member:
    """`base.name`."""

    base: Node
    name: str


@dataclass(frozen=True, slots=True)
class Call:
    """`base.name(arguments)`."""

    base: Node
    name: str
    arguments: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Operation:
    """`left sign right`."""

    sign: str
    left: Node
    right: Node


Node = Literal | Variable | Member | Call | Operation
LONGEST = 10_000
"""Characters of an expression; the longest of R4 has some hundreds."""
THIS = Variable("this")

_TOKEN = re.compile(
    r"\s*(?:(?P<string>'(?:[^'\\]|\\.)*')|(?P<number>[0-9]+(?:\.[0-9]+)?)"
    r"|(?P<name>[%$]?[A-Za-z_][A-Za-z0-9_]*|`[^`]+`)|(?P<sign>!=|<=|>=|[=<>|&+().,{}]))"
)
_LEVELS: tuple[tuple[str, ...], ...] = (
    ("implies",),
    ("or", "xor"),
    ("and",),
    ("in",),
    ("=", "!="),
    ("<", ">", "<=", ">="),
    ("|",),
    ("is",),
    ("+", "&"),
)
"""Operators, the loosest first."""
_ESCAPES = {"n": "\n", "r": "\r", "t": "\t", "f": "\f"}


def read(expression: str) -> Node:
    """The tree of this expression. Raises NotReadableError."""
    if len(expression) > LONGEST:
        raise NotReadableError(f"an expression has at most {LONGEST} characters")
    reader = _Reader(_tokens(expression))
    tree = reader.operation(0)
    if reader.kind:
        raise NotReadableError(f"{expression}: not read from {reader.text!r} on")
    return tree


def _tokens(expression: str) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    position, end = 0, len(expression.rstrip())
    while position < end:
        match = _TOKEN.match(expression, position)
        if match is None or match.lastgroup is None:
            raise NotReadableError(f"{expression}: not read at {position}")
        found.append((match.lastgroup, match.group(match.lastgroup)))
        position = match.end()
    return found


class _Reader:
    def __init__(self, tokens: list[tuple[str, str]]) -> None:
        self._tokens = iter(tokens)
        self.kind = self.text = ""
        self._advance()

    def _advance(self) -> None:
        self.kind, self.text = next(self._tokens, ("", ""))

    def _expect(self, sign: str) -> None:
        if self.text != sign:
            raise NotReadableError(f"{sign!r} expected, not {self.text!r}")
        self._advance()

    def operation(self, level: int) -> Node:
        if level == len(_LEVELS):
            return self._path()
        left = self.operation(level + 1)
        while self.kind in ("name", "sign") and self.text in _LEVELS[level]:
            sign = self.text
            self._advance()
            right = self.operation(level + 1)
            is_test = sign == "is"
            left = Call(left, "is", (right,)) if is_test else Operation(sign, left, right)
        return left

    def _path(self) -> Node:
        node = self._term()
        while self.text == "." and self.kind == "sign":
            self._advance()
            node = self._step(node)
        return node

    def _term(self) -> Node:
        kind, text = self.kind, self.text
        if kind == "string":
            self._advance()
            return Literal(_unescaped(text[1:-1]))
        if kind == "number":
            self._advance()
            return Literal(Decimal(text) if "." in text else int(text))
        if text == "(":
            self._advance()
            inner = self.operation(0)
            self._expect(")")
            return inner
        if text == "{":
            self._advance()
            self._expect("}")
            return Literal(None)
        if text in ("true", "false"):
            self._advance()
            return Literal(text == "true")
        if kind == "name" and text[0] in "$%":
            self._advance()
            return Variable(text[1:])
        return self._step(THIS)

    def _step(self, base: Node) -> Node:
        if self.kind != "name":
            raise NotReadableError(f"a name expected, not {self.text!r}")
        name = self.text.strip("`")
        self._advance()
        if self.text != "(" or self.kind != "sign":
            return Member(base, name)
        self._advance()
        arguments: list[Node] = []
        while self.text != ")":
            arguments.append(self.operation(0))
            if self.text != ",":
                break
            self._advance()
        self._expect(")")
        return Call(base, name, tuple(arguments))


def _unescaped(text: str) -> str:
    return re.sub(r"\\(.)", lambda found: _ESCAPES.get(found[1], found[1]), text)
