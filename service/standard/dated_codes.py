"""Which codes are indexed together with the date of their resource?

The newest of one code are asked for often (`code=…&_sort=-date`), and codes cluster in time: to
walk all dates for them, or to sort all of them, costs more the larger a store is. For the pairs
in mappings/dated-codes.json (type: token parameter: date parameter) there are rows that have
both. After a change of that file the index must be built anew.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping

from service.data import mappings
from service.standard.codec import decode
from service.standard.definitions import definitions
from service.standard.extraction.rows import SearchValues
from service.standard.multiplicity import single_valued

NEVER = -(2**63)
"""Stands for the date of a resource that has none. An open start is later, see `partial_dates`."""


@functools.cache
def dated_codes() -> Mapping[str, Mapping[int, int]]:
    """By type: the number of each such token parameter, and that of its date.

    Raises ValueError where a resource might have several dates.
    """
    found: dict[str, dict[int, int]] = {}
    for type_, pairs in decode(mappings("dated-codes.json").read_bytes()).items():
        for token, date in pairs.items():
            code = definitions().search_parameter(type_, token)
            when = definitions().search_parameter(type_, date)
            if code is None or when is None or not single_valued(when):
                raise ValueError(f"{type_}: {token} cannot be indexed with {date}")
            found.setdefault(type_, {})[code.number] = when.number
    return found


def add_dated(type_: str, rows: SearchValues) -> None:
    """Write the rows of such codes, from the rows of the codes and dates."""
    pairs = dated_codes().get(type_)
    if not pairs:
        return
    dates = {param: low for param, low, _, _ in rows.dates}
    found = (
        (param, code, dates.get(pairs[param], NEVER))
        for param, _, code, _ in rows.tokens
        if param in pairs
    )
    rows.dated = list(dict.fromkeys(found))
