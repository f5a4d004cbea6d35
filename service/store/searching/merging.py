"""How do many values of one parameter become few stretches of its index?

Each value would be a select of its own. Where there are many that are looked up alike, they are
looked up by one `IN`, whose rows come in no order.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from service.errors import TooCostly
from service.store.searching.seeks import RID, UNORDERED, Seek
from service.store.sql import Sql, any_of, marks, padded

MANY = 40
MOST = 300
FEW = 10
"""Groups that differ in their filter and are looked up each by its own `IN`."""

_EQUALITY = re.compile(r"@\.(\w+) = \?")


def merged(seeks: Sequence[Seek], parameters: int = 1) -> tuple[Seek, ...]:
    """The same rows by fewer stretches, where there are many.

    `parameters` is how often each is looked up. Raises TooCostly where too many are left.
    """
    found = tuple(dict.fromkeys(seeks))
    if len(found) * parameters > MANY:
        found = _together(found, "@.{}")
    if len(found) * parameters > MOST:
        raise TooCostly("Too many values are asked for at once")
    return found


def met_by(seeks: Sequence[Seek]) -> tuple[Sql, ...]:
    """What is asked of a row that is found by its resource; one must hold.

    The engines would look up each value of an `IN` by the key, a thousand times for the few rows
    that a resource has: `coalesce` keeps them from it.
    """
    return tuple(seek.met() for seek in _together(seeks, "coalesce(@.{}, '')"))


def _together(seeks: Sequence[Seek], column: str) -> tuple[Seek, ...]:
    """The same rows by an `IN` for each group of stretches that are alike."""
    alike: dict[tuple[str, str], list[Seek]] = defaultdict(list)
    for seek in seeks:
        alike[seek.index, seek.text].append(seek)
    return tuple(seek for group in alike.values() for seek in _merged(group, column))


def _merged(group: list[Seek], column: str) -> list[Seek]:
    equality = _EQUALITY.fullmatch(group[0].text)
    if len(group) == 1 or equality is None or any(seek.order != RID for seek in group):
        return group
    whole = column.format(equality[1])
    sifted: dict[tuple[str, tuple[Any, ...]], list[Seek]] = defaultdict(list)
    for seek in group:
        sifted[seek.filter, seek.filter_params].append(seek)
    if len(sifted) <= FEW:
        # Codes of a few systems.
        found = [(_any_of_them(own, whole), sift) for sift, own in sifted.items()]
        return [seek.sifted(*sift) if sift[0] else seek for seek, sift in found]
    each = any_of(_where(seek) for seek in group)
    return [_any_of_them(group, whole).sifted(each.text, each.params)]


def _any_of_them(group: list[Seek], column: str) -> Seek:
    values = padded(tuple(dict.fromkeys(value for seek in group for value in seek.params)))
    text = f"{column} IN ({marks(len(values))})"
    return Seek(group[0].index, text, values, UNORDERED)


def _where(seek: Seek) -> Sql:
    text = f"{seek.text} AND {seek.filter}" if seek.filter else seek.text
    return Sql(text, seek.params + seek.filter_params)
