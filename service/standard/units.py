"""How much is this quantity in base units, so that kPa compare with Pa and ms with s?

Reads codes of the Unified Code for Units of Measure (https://ucum.org, syntax in section 2):
prefixes, products, quotients, exponents, annotations. The units themselves are in
`mappings/ucum.json`; what is not there is not converted.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import orjson

from service.data import mappings

SYSTEM = "http://unitsofmeasure.org"

_LONGEST = 64
_ANNOTATION = re.compile(r"\{[ -z|~]*\}")
_SYMBOL = re.compile(r"(?:\[[^\[\]]*\]|10[*^]|'{1,2}|%|[A-Za-z_])+?(?=$|[-+0-9./(){])|[0-9]{1,9}")
_EXPONENT = re.compile(r"[+-]?[0-9]{1,2}")

Dimension = tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Unit:
    """One of it is `factor` of the product `base`; a reading is first shifted by `offset`."""

    factor: Decimal
    base: Dimension = ()
    offset: Decimal = Decimal(0)
    special: bool = False

    def times(self, other: Unit, power: int) -> Unit:
        powers = dict(self.base)
        for symbol, exponent in other.base:
            powers[symbol] = powers.get(symbol, 0) + exponent * power
        kept = tuple(sorted((symbol, power) for symbol, power in powers.items() if power))
        return Unit(self.factor * other.factor**power, kept)


_ONE = Unit(Decimal(1))


class _UnknownError(Exception):
    """A unit that is not in the table, or text that is no unit."""


def to_base(value: Decimal | float, ucum_code: str) -> tuple[float, str] | None:
    """The value in base units and their name (`g.m-1.s-2`, `1` for none).

    None where the unit is unknown or the number too great to be converted.
    """
    unit = _unit(ucum_code)
    if unit is None:
        return None
    exact = value if isinstance(value, Decimal) else Decimal(repr(value))
    try:
        return float((exact + unit.offset) * unit.factor), _name(unit.base)
    except ArithmeticError:
        return None


@functools.lru_cache(maxsize=4096)
def _name(base: Dimension) -> str:
    return ".".join(symbol + (str(power) if power != 1 else "") for symbol, power in base) or "1"


@functools.lru_cache(maxsize=4096)
def _unit(code: str) -> Unit | None:
    if not code or len(code) > _LONGEST:
        return None
    try:
        unit, end = _term(code, 0)
    except (_UnknownError, ArithmeticError):
        return None
    return unit if end == len(code) else None


def _term(text: str, at: int) -> tuple[Unit, int]:
    """A product, read from the left: `/` divides by the next component only."""
    total, power = _ONE, 1
    if text.startswith("/", at):
        power, at = -1, at + 1
    alone = power == 1
    while True:
        unit, at = _component(text, at)
        more = at < len(text) and text[at] in "./"
        if alone and not more:
            return unit, at
        if unit.special:
            raise _UnknownError
        total, alone = total.times(unit, power), False
        if not more:
            return total, at
        power, at = (-1 if text[at] == "/" else 1), at + 1


def _component(text: str, at: int) -> tuple[Unit, int]:
    if text.startswith("(", at):
        unit, at = _term(text, at + 1)
        if not text.startswith(")", at):
            raise _UnknownError
        return unit, at + 1
    annotation = _ANNOTATION.match(text, at)
    if annotation:
        return _ONE, annotation.end()
    unit, at = _simple(text, at)
    annotation = _ANNOTATION.match(text, at)
    return unit, annotation.end() if annotation else at


def _simple(text: str, at: int) -> tuple[Unit, int]:
    symbol = _SYMBOL.match(text, at)
    if symbol is None:
        raise _UnknownError
    if symbol[0].isdigit():
        return Unit(Decimal(symbol[0])), symbol.end()
    unit, at = _named(symbol[0]), symbol.end()
    exponent = _EXPONENT.match(text, at)
    if exponent is None:
        return unit, at
    if unit.special:
        raise _UnknownError
    return _ONE.times(unit, int(exponent[0])), exponent.end()


@functools.lru_cache(maxsize=1024)
def _named(symbol: str) -> Unit:
    """A unit atom as it stands, or a metric one behind a prefix."""
    table = _table()
    atom = _atom(symbol)
    if atom is not None:
        return atom
    for length in (1, 2):
        prefix, rest = symbol[:length], symbol[length:]
        if prefix in table["prefixes"] and rest in table["metric"]:
            atom = _atom(rest)
            if atom is not None:
                return Unit(Decimal(table["prefixes"][prefix]) * atom.factor, atom.base)
    raise _UnknownError


def _atom(symbol: str) -> Unit | None:
    table = _table()
    if symbol in table["base"]:
        return Unit(Decimal(1), ((symbol, 1),))
    if symbol in ("10*", "10^"):
        return Unit(Decimal(10))
    row = table["units"].get(symbol) or table["special"].get(symbol)
    if row is None:
        return None
    inner = _unit(row["unit"])
    assert inner is not None, f"{symbol} is defined by an unknown unit"
    factor = Decimal(row["value"]) * inner.factor / Decimal(row.get("divisor", 1))
    offset = Decimal(row.get("offset", 0))
    return Unit(factor, inner.base, offset, special="offset" in row)


@functools.cache
def _table() -> Mapping[str, Any]:
    table: Mapping[str, Any] = orjson.loads(mappings("ucum.json").read_bytes())
    return table
