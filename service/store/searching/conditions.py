"""How does a parameter with values, or `:missing`, become SQL?"""

from __future__ import annotations

from typing import Any

from service.errors import NotSupported
from service.standard.definitions import Component, Kind, SearchParameter
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
from service.store.searching.ranges import date_seeks, quantity_seeks
from service.store.searching.seeks import (
    TABLES,
    Seek,
    reference_seeks,
    string_seeks,
    token_seeks,
    uri_seeks,
)
from service.store.searching.sql import Sql


def compile_condition(condition: Condition, scope: Scope) -> Compiled:
    """A parameter with values; several are alternatives."""
    first = condition.parameters[0]
    if first.kind == "composite":
        return _composite(condition, scope)
    seeks = tuple(
        seek
        for value in condition.values
        for seek in seeks_of(value, condition.modifier, targets_of(condition.parameters))
    )
    numbers = tuple(parameter.number for parameter in condition.parameters)
    table = TABLES[first.kind]
    if condition.modifier == "not":
        return Compiled(lambda rid: negation(exists_row(scope, table, numbers, seeks, rid)))
    arms = tuple(_arm(scope, table, number, seek) for number in numbers for seek in seeks)
    return Compiled(
        lambda rid: exists_row(scope, table, numbers, seeks, rid),
        arms,
        _rank(condition),
        Rows(table, numbers, seeks),
    )


def compile_missing(criterion: Missing, scope: Scope) -> Compiled:
    """A parameter that has no value, or any."""
    table = TABLES[criterion.parameters[0].kind]
    numbers = tuple(parameter.number for parameter in criterion.parameters)
    twins = tuple(parameter.number for parameter in criterion.twins)

    def present(rid: str) -> Sql:
        found = exists_row(scope, table, numbers, (), rid)
        if not twins:
            return found
        other = exists_row(scope, "index_token", twins, (), rid)
        return Sql(f"({found.text} OR {other.text})", found.params + other.params)

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
            return date_seeks(value)
        case QuantityValue():
            return quantity_seeks(value)
        case _:
            raise NotSupported(f"The modifier {modifier!r} is not answered here")


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
    seeks = tuple(
        (number, seek)
        for parameter in parameters
        for value in condition.values
        if isinstance(value, CompositeValue)
        for number, seek in _composite_seeks(parameter.components, value, scope)
    )
    table = TABLES[kind]
    arms = tuple(_arm(scope, table, number, seek) for number, seek in seeks)
    numbers = tuple(dict.fromkeys(number for number, _ in seeks))
    whole = tuple(seek for _, seek in seeks)
    return Compiled(lambda rid: exists_row(scope, table, numbers, whole, rid), arms)


def _composite_seeks(
    components: tuple[Component, ...], value: CompositeValue, scope: Scope
) -> list[tuple[int, Seek]]:
    first, *others = zip(components, value.parts, strict=True)
    texts: list[str] = []
    params: tuple[Any, ...] = ()
    for component, part in others:
        alias = scope.alias()
        table = scope.by_key(TABLES[component.kind], alias)
        alternatives = [seek.where(alias) for seek in seeks_of(part)]
        some = " OR ".join(f"({where.text})" for where in alternatives)
        texts.append(
            scope.exists(
                f"FROM {table} WHERE {alias}.rid = @.rid AND {alias}.param = {component.number}"
                f" AND {alias}.grp = @.grp AND ({some})"
            )
        )
        params += tuple(value for where in alternatives for value in where.params)
    return [
        (first[0].number, seek.sifted(" AND ".join(texts), params)) for seek in seeks_of(first[1])
    ]
