"""Which of many codes has anybody?

A value set may have hundreds of codes of which a clinic uses a few. Those that nobody has are
left out before a search is planned: each costs one look into the index, and a few codes are
found in order, each in its own stretch, where many would have to be collected.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from service.standard.search_values import clip
from service.standard.searching.query import Condition, Criterion, TokenValue
from service.store.connection import Connection
from service.store.searching.compiled import Scope, param_is
from service.store.searching.merging import MANY
from service.store.sql import batches, padded


def with_present_codes(
    connection: Connection, criteria: Sequence[Criterion], scope: Scope
) -> Iterator[Criterion]:
    """The same criteria; conditions on many codes without those that no resource has."""
    for criterion in criteria:
        if isinstance(criterion, Condition) and len(criterion.values) > MANY:
            yield _narrowed(connection, criterion, scope)
        else:
            yield criterion


def _narrowed(connection: Connection, condition: Condition, scope: Scope) -> Condition:
    codes = [value.code for value in condition.values if isinstance(value, TokenValue)]
    if condition.modifier or len(codes) < len(condition.values) or not all(codes):
        return condition
    numbers = tuple(parameter.number for parameter in condition.parameters)
    wanted = list(dict.fromkeys(clip(code) for code in codes if code))
    found: set[str] = set()
    for some in batches(wanted):
        found |= _present(connection, scope, numbers, some)
    values = (value for value in condition.values if isinstance(value, TokenValue))
    return replace(condition, values=tuple(v for v in values if v.code and clip(v.code) in found))


def _present(
    connection: Connection, scope: Scope, numbers: tuple[int, ...], codes: Sequence[str]
) -> set[str]:
    given = padded(codes)
    alias = scope.alias()
    somebody = scope.exists(
        f"FROM {scope.by('index_token', alias, 'index_token_code')}"
        f" WHERE {param_is(alias, numbers)} AND {alias}.code = given.column1"
    )
    rows = connection.rows(
        f"SELECT given.column1 FROM (VALUES {', '.join(['(?)'] * len(given))}) AS given"
        f" WHERE {somebody}",
        given,
    )
    return {code for (code,) in rows}
