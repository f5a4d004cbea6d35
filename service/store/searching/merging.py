"""How do many values of one parameter become few stretches of its index?

Each value would be a select of its own. Where there are many that are looked up alike, they are
looked up by one `IN`, whose rows come in no order.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence

from service.errors import TooCostly
from service.store.searching.seeks import RID, UNORDERED, Seek
from service.store.searching.sql import Sql, any_of, marks

MANY = 40
MOST = 300

_EQUALITY = re.compile(r"@\.(\w+) = \?")


def merged(seeks: Sequence[Seek], parameters: int = 1) -> tuple[Seek, ...]:
    """The same rows by fewer stretches, where there are many.

    `parameters` is how often each is looked up. Raises TooCostly where too many are left.
    """
    found = tuple(dict.fromkeys(seeks))
    if len(found) * parameters > MANY:
        alike: dict[tuple[str, str], list[Seek]] = defaultdict(list)
        for seek in found:
            alike[seek.index, seek.text].append(seek)
        found = tuple(seek for group in alike.values() for seek in _merged(group))
    if len(found) * parameters > MOST:
        raise TooCostly("Too many values are asked for at once")
    return found


def _merged(group: list[Seek]) -> list[Seek]:
    equality = _EQUALITY.fullmatch(group[0].text)
    if len(group) == 1 or equality is None or any(seek.order != RID for seek in group):
        return group
    values = tuple(dict.fromkeys(value for seek in group for value in seek.params))
    text = f"@.{equality[1]} IN ({marks(len(values))})"
    whole = Seek(group[0].index, text, values, UNORDERED)
    if not any(seek.filter for seek in group):
        return [whole]
    each = any_of(_where(seek) for seek in group)
    return [whole.sifted(each.text, each.params)]


def _where(seek: Seek) -> Sql:
    text = f"{seek.text} AND {seek.filter}" if seek.filter else seek.text
    return Sql(text, seek.params + seek.filter_params)
