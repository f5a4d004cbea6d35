"""How do several conditions on one date become one stretch of its index?

`date=ge2024-05&date=lt2024-06` are two halves of the calendar, but together a month. Where a
resource has one value at most, they mean the same value, and are asked of it together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from functools import reduce

from service.standard.multiplicity import single_valued
from service.standard.searching.query import Condition, Criterion, DateValue, UpdatedAt
from service.store.searching.compiled import Compiled, Rows, Scope, exists_row
from service.store.searching.conditions import arms_of
from service.store.searching.resources import updated_within
from service.store.searching.spans import Bounds, both, bounds_of, span_seeks

_TABLE = "index_date"


def windows(criteria: Iterable[Criterion], scope: Scope) -> tuple[list[Compiled], list[Criterion]]:
    """Conditions on dates put together, and the criteria that are left."""
    found: dict[int | str, list[Bounds]] = defaultdict(list)
    left: list[Criterion] = []
    for criterion in criteria:
        place, bounds = _place(criterion), list(_bounds(criterion))
        if place is None or len(bounds) != 1:
            left.append(criterion)
        else:
            found[place] += bounds
    compiled = [_window(scope, place, reduce(both, bounds)) for place, bounds in found.items()]
    return compiled, left


def _place(criterion: Criterion) -> int | str | None:
    match criterion:
        case UpdatedAt():
            return "_lastUpdated"
        case Condition(parameters=(parameter,), modifier="") if parameter.kind == "date":
            return parameter.number if single_valued(parameter) else None
    return None


def _bounds(criterion: Criterion) -> Iterator[Bounds]:
    if isinstance(criterion, Condition | UpdatedAt):
        for value in criterion.values:
            if isinstance(value, DateValue):
                yield from bounds_of(value)


def _window(scope: Scope, place: int | str, bounds: Bounds) -> Compiled:
    if isinstance(place, str):
        return updated_within(scope, [bounds])
    rows = Rows(_TABLE, (place,), (bounds.met(),), single=True)
    return Compiled(
        lambda rid: exists_row(scope, rows, rid),
        arms_of(scope, _TABLE, rows.numbers, span_seeks(bounds)),
        rows=rows,
        window=place,
        bounds=bounds,
    )
