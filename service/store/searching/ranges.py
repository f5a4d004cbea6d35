"""Which rows does a comparison of amounts mean? One row of a table for each prefix.

R4 search page, #number, #quantity, #prefix. A row of the index is a closed range, low to high.
What is searched for is exact (V), but for `eq`, `ne` (from A up to, not with, B) and `ap` (A to
B). The prefixes mean what they mean for dates, see `spans.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.standard.search_values import clip
from service.standard.searching.query import Amount, QuantityValue
from service.store.searching.seeks import UNORDERED, Seek
from service.store.sql import Sql

_Ends = tuple[str, str]
"""A condition, and the ends whose values it takes in order."""

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


_MET: dict[str, _Ends] = {
    # prefix: the condition on a row, whatever stretch it is found in
    "eq": ("@.low >= ? AND @.high < ?", "AB"),
    "ne": ("(@.low < ? OR @.high >= ?)", "AB"),
    "gt": ("@.high > ?", "V"),
    "lt": ("@.low < ?", "V"),
    "ge": ("@.high >= ?", "V"),
    "le": ("@.low <= ?", "V"),
    "sa": ("@.low > ?", "V"),
    "eb": ("@.high < ?", "V"),
    "ap": ("@.low <= ? AND @.high >= ?", "BA"),
}


def quantity_met(value: QuantityValue) -> Sql:
    """The condition on a row."""
    text, names = _MET[value.prefix]
    if value.base is not None:
        text = text.replace("@.", "@.base_")
        params = (value.base_unit, *_values(names, _ends(value.base)))
        return Sql(f"@.base_unit = ? AND {text}", params)
    unit, params = _unit(value)
    values = _values(names, _ends(value.amount))
    return Sql(f"{unit} AND {text}", params + values) if unit else Sql(text, values)


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
    ends = _ends(amount)
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


def _ends(amount: Amount) -> dict[str, float]:
    return {"V": amount.exact, "A": amount.low, "B": amount.high}


def _values(names: str, ends: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(ends[name] for name in names)
