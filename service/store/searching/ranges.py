"""Which rows does a comparison of dates or amounts mean? One row of a table for each prefix.

R4 search page, #prefix. A row of the index is a closed range, low to high; so is a date that is
searched for (L to H). A number is exact (V), but for `eq`, `ne` (from A up to, not with, B) and
`ap` (A to B).

    eq  the searched range holds the whole row       ne  it does not
    gt  part of the row lies above                   lt  part of it lies below
    ge  gt or eq                                     le  lt or eq
    sa  the whole row lies above                     eb  the whole row lies below
    ap  the ranges overlap
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.standard.search_values import clip
from service.standard.searching.query import Amount, DateValue, QuantityValue
from service.store.searching.seeks import UNORDERED, Seek

_LOW, _HIGH = ("index_date_low", "low"), ("index_date_high", "high")
_Ends = tuple[str, str]
"""A condition, and the ends whose values it takes in order."""

_DATES: dict[str, tuple[tuple[tuple[str, str], _Ends, _Ends], ...]] = {
    # prefix: (index and its order, the stretch, the filter)
    "eq": ((_LOW, ("@.low >= ? AND @.low <= ?", "LH"), ("@.high <= ?", "H")),),
    "ne": ((_LOW, ("@.low < ?", "L"), ("", "")), (_HIGH, ("@.high > ?", "H"), ("", ""))),
    "gt": ((_HIGH, ("@.high > ?", "H"), ("", "")),),
    "lt": ((_LOW, ("@.low < ?", "L"), ("", "")),),
    "ge": ((_HIGH, ("@.high >= ?", "L"), ("(@.high > ? OR @.low >= ?)", "HL")),),
    "le": ((_LOW, ("@.low <= ?", "H"), ("(@.low < ? OR @.high <= ?)", "LH")),),
    "sa": ((_LOW, ("@.low > ?", "H"), ("", "")),),
    "eb": ((_HIGH, ("@.high < ?", "L"), ("", "")),),
    "ap": ((_HIGH, ("@.high >= ?", "L"), ("@.low <= ?", "H")),),
}

_SPAN = "index_quantity_span"
"""Rows that are no single number; few, with an index of their own."""

_AMOUNTS: dict[str, tuple[tuple[bool, _Ends, _Ends], ...]] = {
    # prefix: (only rows of the index of spans, the stretch, the filter)
    "eq": ((False, ("@.low >= ? AND @.low < ?", "AB"), ("@.high < ?", "B")),),
    "ne": (
        (False, ("@.low < ?", "A"), ("", "")),
        (False, ("@.low >= ?", "B"), ("", "")),
        (True, ("", ""), ("@.high >= ?", "B")),
    ),
    "gt": (
        (False, ("@.low > ?", "V"), ("", "")),
        (True, ("", ""), ("@.low <= ? AND @.high > ?", "VV")),
    ),
    "lt": ((False, ("@.low < ?", "V"), ("", "")),),
    "ge": (
        (False, ("@.low >= ?", "V"), ("", "")),
        (True, ("", ""), ("@.low < ? AND @.high >= ?", "VV")),
    ),
    "le": ((False, ("@.low <= ?", "V"), ("", "")),),
    "sa": ((False, ("@.low > ?", "V"), ("", "")),),
    "eb": ((False, ("@.low < ?", "V"), ("@.high < ?", "V")),),
    "ap": (
        (False, ("@.low >= ? AND @.low <= ?", "AB"), ("", "")),
        (True, ("", ""), ("@.low < ? AND @.high >= ?", "AA")),
    ),
}


def date_seeks(value: DateValue) -> list[Seek]:
    """Rows of dates."""
    ends = {"L": value.low, "H": value.high}
    return [
        Seek(index, text, _values(names, ends), order, rest, _values(rest_names, ends))
        for (index, order), (text, names), (rest, rest_names) in _DATES[value.prefix]
    ]


def quantity_seeks(value: QuantityValue) -> list[Seek]:
    """Rows of amounts: in base units where the searched unit can be converted."""
    if value.base is not None:
        found = _amounts(value.prefix, value.base, "index_quantity_base", "base_")
        return [_in_unit(seek, value.base_unit) for seek in found]
    found = _amounts(value.prefix, value.amount, "index_quantity_low", "")
    unit, params = _unit(value)
    return [seek.sifted(unit, params) for seek in found] if unit else found


def _in_unit(seek: Seek, unit: str) -> Seek:
    if seek.index == _SPAN:
        return seek.sifted("@.base_unit = ?", (unit,))
    return replace(seek, text=f"@.base_unit = ? AND {seek.text}", params=(unit, *seek.params))


def _unit(value: QuantityValue) -> tuple[str, tuple[str, ...]]:
    """`system|code`, `system|`, or `|code`: then the code or the human unit."""
    system = None if value.system is None else clip(value.system)
    code = None if value.code is None else clip(value.code)
    if system is None:
        return ("", ()) if code is None else ("(@.unit_code = ? OR @.unit = ?)", (code, code))
    if code is None:
        return "@.unit_system = ?", (system,)
    return "@.unit_system = ? AND @.unit_code = ?", (system, code)


def _amounts(prefix: str, amount: Amount, index: str, column: str) -> list[Seek]:
    ends = {"V": amount.exact, "A": amount.low, "B": amount.high}
    found = []
    for spans, (text, names), (rest, rest_names) in _AMOUNTS[prefix]:
        sift = rest.replace("@.", f"@.{column}")
        rest_values = _values(rest_names, ends)
        if spans:
            found.append(Seek(_SPAN, "@.low < @.high", (), UNORDERED, sift, rest_values))
            continue
        stretch = text.replace("@.", f"@.{column}")
        values = _values(names, ends)
        found.append(Seek(index, stretch, values, f"{column}low", sift, rest_values))
    return found


def _values(names: str, ends: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(ends[name] for name in names)
