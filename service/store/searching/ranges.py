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

from typing import Any

from service.standard.searching.query import Amount, DateValue, QuantityValue
from service.store.searching.seeks import UNORDERED, Seek

_LOW, _HIGH = "index_date_low", "index_date_high"

_DATES: dict[str, tuple[tuple[str, str, str, str], ...]] = {
    # prefix: (index, condition, its values in order, order)
    "eq": ((_LOW, "@.low >= ? AND @.low <= ? AND @.high <= ?", "LHH", "low"),),
    "ne": ((_LOW, "@.low < ?", "L", UNORDERED), (_HIGH, "@.high > ?", "H", UNORDERED)),
    "gt": ((_HIGH, "@.high > ?", "H", "high"),),
    "lt": ((_LOW, "@.low < ?", "L", "low"),),
    "ge": ((_HIGH, "@.high >= ? AND (@.high > ? OR @.low >= ?)", "LHL", "high"),),
    "le": ((_LOW, "@.low <= ? AND (@.low < ? OR @.high <= ?)", "HLH", "low"),),
    "sa": ((_LOW, "@.low > ?", "H", "low"),),
    "eb": ((_HIGH, "@.high < ?", "L", "high"),),
    "ap": ((_HIGH, "@.high >= ? AND @.low <= ?", "LH", "high"),),
}

_SPANS = "index_quantity_span"
_SPAN = "@.low < @.high AND "
"""Rows that are no single number; few, with an index of their own."""

_AMOUNTS: dict[str, tuple[tuple[bool, str, str], ...]] = {
    # prefix: (only rows that span a range, condition, its values in order)
    "eq": ((False, "@.low >= ? AND @.low < ? AND @.high < ?", "ABB"),),
    "ne": ((False, "@.low < ?", "A"), (False, "@.low >= ?", "B"), (True, "@.high >= ?", "B")),
    "gt": ((False, "@.low > ?", "V"), (True, "@.low <= ? AND @.high > ?", "VV")),
    "lt": ((False, "@.low < ?", "V"),),
    "ge": ((False, "@.low >= ?", "V"), (True, "@.low < ? AND @.high >= ?", "VV")),
    "le": ((False, "@.low <= ?", "V"),),
    "sa": ((False, "@.low > ?", "V"),),
    "eb": ((False, "@.low < ? AND @.high < ?", "VV"),),
    "ap": (
        (False, "@.low >= ? AND @.low <= ?", "AB"),
        (True, "@.low < ? AND @.high >= ?", "AA"),
    ),
}


def date_seeks(value: DateValue) -> list[Seek]:
    """Rows of dates."""
    ends = {"L": value.low, "H": value.high}
    return [
        Seek(index, text, tuple(ends[name] for name in names), order)
        for index, text, names, order in _DATES[value.prefix]
    ]


def quantity_seeks(value: QuantityValue) -> list[Seek]:
    """Rows of amounts: in base units where the searched unit can be converted."""
    if value.base is not None:
        unit = ("@.base_unit = ?", (value.base_unit,))
        return _amounts(value.prefix, value.base, "index_quantity_base", "base_", unit)
    return _amounts(value.prefix, value.amount, "index_quantity_low", "", _unit(value))


def _unit(value: QuantityValue) -> tuple[str, tuple[str, ...]]:
    """`system|code`, `system|`, or `|code`: then the code or the human unit."""
    if value.system is None and value.code is None:
        return "", ()
    if value.system is None:
        assert value.code is not None
        return "(@.unit_code = ? OR @.unit = ?)", (value.code, value.code)
    if value.code is None:
        return "@.unit_system = ?", (value.system,)
    return "@.unit_system = ? AND @.unit_code = ?", (value.system, value.code)


def _amounts(
    prefix: str, amount: Amount, index: str, column: str, unit: tuple[str, tuple[Any, ...]]
) -> list[Seek]:
    ends = {"V": amount.exact, "A": amount.low, "B": amount.high}
    found = []
    for spans, text, names in _AMOUNTS[prefix]:
        condition = text.replace("@.", f"@.{column}")
        values = tuple(ends[name] for name in names)
        if unit[0]:
            condition, values = f"{unit[0]} AND {condition}", unit[1] + values
        if spans:
            found.append(Seek(_SPANS, _SPAN + condition, values, UNORDERED))
        else:
            found.append(Seek(index, condition, values, f"{column}low"))
    return found
