"""What comes out of a resource for the index tables?

Plain tuples in the order of the columns of `service/store/tables.py`, without `rid`. `param` is
the number of the search parameter; `grp` tells the repetition of the top-level element.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

TokenRow = tuple[int, str, str, int]
ReferenceRow = tuple[int, str, str, int]
DateRow = tuple[int, int, int, int]
QuantityRow = tuple[int, float, float, str, str, str, int, float, float, str]
StringRow = tuple[int, str, str, int]
UriRow = tuple[int, str, int]
DatedRow = tuple[int, str, int]


@dataclass(slots=True)
class SearchValues:
    """The search rows of one resource.

    tokens      (param, system, code, grp)
    references  (param, target_type, target_id, grp); a URL has an empty type
    dates       (param, low, high, grp)
    quantities  (param, low, high, unit_system, unit_code, unit, grp, base_low, base_high,
                base_unit)
    strings     (param, folded, exact, grp)
    uris        (param, value, grp)
    dated       (param, code, start of the date of the resource), see `dated_codes`
    words       marked words of its text, see `full_text`
    patients    ids of the Patients in whose compartment the resource lies
    """

    tokens: list[TokenRow] = field(default_factory=list)
    references: list[ReferenceRow] = field(default_factory=list)
    dates: list[DateRow] = field(default_factory=list)
    quantities: list[QuantityRow] = field(default_factory=list)
    strings: list[StringRow] = field(default_factory=list)
    uris: list[UriRow] = field(default_factory=list)
    dated: list[DatedRow] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    patients: list[str] = field(default_factory=list)
    base: str = ""
    """URL of the service with a slash at its end: absolute references below it are our own."""


class Use(NamedTuple):
    """One parameter that takes a value: its number, those of its `:identifier` and `:of-type`
    twins, and the one type of resource it is narrowed to (`where(resolve() is Patient)`); 0 and
    empty for none."""

    param: int
    twin: int = 0
    only: str = ""
    typed: int = 0


Writer = Callable[[Any, int, SearchValues], None]
"""Writes the rows of one value: (value, grp, rows)."""
