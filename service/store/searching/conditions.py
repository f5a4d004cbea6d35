"""How does a parameter with values, or `:missing`, become SQL?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.standard.definitions import Component, Kind, SearchParameter
from service.standard.multiplicity import single_valued
from service.standard.search_values import clip
from service.standard.searching.query import (
    CompositeValue,
    Condition,
    DateValue,
    Missing,
    QuantityValue,
    ReferenceValue,
    TextValue,
    TokenValue,
    UriValue,
    Value,
)
from service.store.searching.compiled import (
    Arm,
    Compiled,
    Rank,
    Rows,
    Scope,
    exists_row,
    negation,
    param_is,
)
from service.store.searching.dated import dated
from service.store.searching.merging import merged, met_by
from service.store.searching.ranges import quantity_met, quantity_seeks
from service.store.searching.seeks import (
    RID,
    TABLES,
    Seek,
    named,
    reference_seeks,
    string_seeks,
    token_seeks,
    uri_seeks,
)
from service.store.searching.spans import bounds_of, span_seeks
from service.store.sql import Sql, any_of


def compile_condition(condition: Condition, scope: Scope) -> Compiled:
    """A parameter with values; several are alternatives."""
    first = condition.parameters[0]
    if first.kind == "composite":
        return _composite(condition, scope)
    if not condition.values:
        return _of_nothing(condition.modifier)
    targets, modifier = targets_of(condition.parameters), condition.modifier
    each = [seek for value in condition.values for seek in seeks_of(value, modifier, targets)]
    seeks = merged(each, len(condition.parameters))
    numbers = tuple(parameter.number for parameter in condition.parameters)
    # The words of a code are strings under the number of the token.
    table = "index_string" if modifier == "text" else TABLES[first.kind]
    rows = Rows(table, numbers, _met(condition.values, each), all_single(condition.parameters))
    if modifier == "not":
        return Compiled(lambda rid: negation(exists_row(scope, rows, rid)))
    # One value alone is found sooner in its own stretch, where others ask too.
    alone = len(seeks) == len(numbers) == 1 and seeks[0].order == RID
    index = seeks[0].index if alone else ""
    return Compiled(
        lambda rid: exists_row(scope, rows, rid, index),
        arms_of(scope, table, numbers, seeks),
        _rank(condition),
        rows,
        arms_of(scope, table, numbers, _by_system(condition)),
        dated=dated(scope, condition),
    )


def _of_nothing(modifier: str) -> Compiled:
    """No value is looked for, as where a value set has no codes: none has it, all have it not."""
    if modifier == "not":
        return Compiled(lambda rid: Sql("TRUE"))
    nothing = Arm(Sql("resource d"), Sql("d.rid = 0"), RID)
    return Compiled(lambda rid: Sql("FALSE"), (nothing,), Rank.UNIQUE)


def arms_of(
    scope: Scope, table: str, numbers: tuple[int, ...], seeks: Sequence[Seek]
) -> tuple[Arm, ...]:
    """An arm for each stretch of each parameter."""
    return tuple(_arm(scope, table, number, seek) for number in numbers for seek in seeks)


def all_single(parameters: tuple[SearchParameter, ...]) -> bool:
    """Whether no resource has two values."""
    return all(single_valued(parameter) for parameter in parameters)


def compile_missing(criterion: Missing, scope: Scope) -> Compiled:
    """A parameter that has no value, or any."""
    kind = criterion.parameters[0].kind
    numbers = tuple(parameter.number for parameter in criterion.parameters)
    places = [Rows(TABLES[kind], numbers)]
    if kind in ("token", "reference"):
        places.append(Rows("index_string", numbers))
    if criterion.twins:
        places.append(Rows("index_token", tuple(twin.number for twin in criterion.twins)))

    def present(rid: str) -> Sql:
        return any_of(exists_row(scope, rows, rid) for rows in places)

    return Compiled((lambda rid: negation(present(rid))) if criterion.missing else present)


def targets_of(parameters: tuple[SearchParameter, ...]) -> tuple[str, ...]:
    """The types that a reference may lead to."""
    return tuple(dict.fromkeys(target for p in parameters for target in p.targets))


def seeks_of(value: Value, modifier: str = "", targets: tuple[str, ...] = ()) -> list[Seek]:
    """The stretches of the index where a value lies."""
    match value:
        case TokenValue():
            return token_seeks(value)
        case ReferenceValue():
            return reference_seeks(value, targets)
        case TextValue():
            return string_seeks(value, modifier)
        case UriValue():
            return uri_seeks(value, modifier)
        case DateValue():
            return [seek for bounds in bounds_of(value) for seek in span_seeks(bounds)]
        case QuantityValue():
            return quantity_seeks(value)
        case _:
            raise AssertionError(f"{type(value).__name__} lies in no index")


def _met(values: Sequence[Value], seeks: Sequence[Seek]) -> tuple[Sql, ...]:
    """The conditions on a row, of which one must hold."""
    if isinstance(values[0], DateValue | QuantityValue):
        return tuple(dict.fromkeys(met for value in values for met in met_of(value)))
    return met_by(seeks)


def met_of(value: Value) -> list[Sql]:
    """The same for one value."""
    match value:
        case DateValue():
            return [bounds.met() for bounds in bounds_of(value)]
        case QuantityValue():
            return [quantity_met(value)]
        case _:
            return [seek.met() for seek in seeks_of(value)]


def _by_system(condition: Condition) -> list[Seek]:
    """One token with its system, looked up by the system: there may be none of it at all."""
    value = condition.values[0]
    if len(condition.values) > 1 or not isinstance(value, TokenValue):
        return []
    if condition.modifier or not value.system or value.code is None:
        return []
    (whole,) = token_seeks(TokenValue(value.system, None))
    return [whole.sifted("@.code = ?", (clip(value.code),))]


def _arm(scope: Scope, table: str, number: int, seek: Seek) -> Arm:
    stretch = seek.stretch("d")
    return Arm(
        Sql(scope.by(table, "d", seek.index)),
        Sql(f"{param_is('d', (number,))} AND {stretch.text}", stretch.params),
        seek.order,
        seek.sift("d"),
    )


def _rank(condition: Condition) -> Rank:
    if len(condition.values) > 1:
        return Rank.OPEN
    value, first = condition.values[0], condition.parameters[0]
    if isinstance(value, TokenValue) and value.code and first.expression.endswith(".identifier"):
        return Rank.UNIQUE
    if isinstance(value, ReferenceValue) and "Patient" in (value.type, *_only(first.targets)):
        return Rank.CLIENT
    return Rank.OPEN


def _only(targets: tuple[str, ...]) -> tuple[str, ...]:
    return targets if len(targets) == 1 else ()


def _composite(condition: Condition, scope: Scope) -> Compiled:
    """The components' rows with an equal `grp` are values of the same element."""
    parameters = condition.parameters
    kind: Kind = parameters[0].components[0].kind
    seeks = {
        parameter.components[0].number: merged(
            [
                seek
                for value in condition.values
                if isinstance(value, CompositeValue)
                for seek in _composite_seeks(parameter.components, value, scope)
            ],
            len(parameters),
        )
        for parameter in parameters
    }
    table = TABLES[kind]
    arms = tuple(_arm(scope, table, number, seek) for number, own in seeks.items() for seek in own)
    rows = [
        Rows(table, (number,), tuple(seek.met() for seek in own)) for number, own in seeks.items()
    ]
    return Compiled(lambda rid: any_of(exists_row(scope, row, rid) for row in rows), arms)


def _composite_seeks(
    components: tuple[Component, ...], value: CompositeValue, scope: Scope
) -> list[Seek]:
    first, *others = zip(components, value.parts, strict=True)
    texts: list[str] = []
    params: tuple[Any, ...] = ()
    for component, part in others:
        alias = scope.alias()
        table = scope.by_key(TABLES[component.kind], alias)
        some = any_of(met_of(part))
        texts.append(
            scope.exists(
                f"FROM {table} WHERE {alias}.rid = @.rid AND {alias}.param = {component.number}"
                f" AND {alias}.grp = @.grp AND {named(some.text, alias)}"
            )
        )
        params += some.params
    return [seek.sifted(" AND ".join(texts), params) for seek in seeks_of(first[1])]
