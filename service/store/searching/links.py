"""How do chains and `_has` become SQL? Each link is a look-up by identity and one by reference.

A chain: reference of the resource -> identity of the target -> criterion on the target.
`_has`: identity of the resource -> reference that leads to it -> criterion on where it is from.
To drive, the same way is gone backwards (`links_driving.py`). Where a type has canonical URLs,
these lead to it too. R4 search page, #chaining, #has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from service.standard.searching.query import Chain, Criterion, Has
from service.store.searching.canonical import meant, url_numbers
from service.store.searching.compiled import Compiled, Scope, param_is
from service.store.searching.links_driving import from_source, from_target
from service.store.sql import Sql, all_of, any_of

Compile = Callable[[Criterion, Scope], Compiled]


def compile_chain(criterion: Chain, scope: Scope, compile_: Compile) -> Compiled:
    """Refers to a resource that meets the criterion of its type."""
    numbers = tuple(parameter.number for parameter in criterion.parameters)
    branches = [
        (type_, compile_(inner, scope.narrowed((type_,)))) for type_, inner in criterion.branches
    ]

    def probe(rid: str) -> Sql:
        return any_of(
            way for type_, inner in branches for way in _leads_to(scope, numbers, type_, inner, rid)
        )

    if not all(inner.arms for _, inner in branches):
        return Compiled(probe)
    arms = tuple(
        arm
        for type_, inner in branches
        for start in inner.arms
        for arm in from_target(scope, numbers, type_, start)
    )
    return Compiled(probe, arms)


def compile_has(criterion: Has, scope: Scope, compile_: Compile) -> Compiled:
    """Is referred to from a resource that meets the criterion."""
    number, types = criterion.parameter.number, criterion.types
    source = criterion.parameter.type
    inner = compile_(criterion.criterion, scope.narrowed((source,)))

    def probe(rid: str) -> Sql:
        return any_of(_led_to_from(scope, number, source, types, inner, rid))

    arms = tuple(
        arm for start in inner.arms for arm in from_source(scope, number, source, types, start)
    )
    return Compiled(probe, arms)


def _leads_to(
    scope: Scope, numbers: tuple[int, ...], type_: str, inner: Compiled, rid: str
) -> Iterator[Sql]:
    reference, target = scope.alias(), scope.alias()
    table = f"FROM {scope.by_key('index_reference', reference)}"
    refers = f"{reference}.rid = {rid} AND {param_is(reference, numbers)}"
    step = scope.step(
        "resource",
        target,
        "resource_identity",
        Sql(
            f"{target}.type = ? AND {target}.id = {reference}.target_id"
            f" AND {target}.deleted = FALSE",
            (type_,),
        ),
    )
    met = _met(scope, inner, target, type_)
    where = f"WHERE {refers} AND {reference}.target_type = ? AND {met.text}"
    yield Sql(scope.exists(f"{table}{step.text} {where}"), (*step.params, type_, *met.params))
    if not url_numbers((type_,)):
        return
    step = scope.step(
        "index_uri",
        target,
        "index_uri_value",
        Sql(
            f"{param_is(target, url_numbers((type_,)))} AND {target}.value = {reference}.target_id"
        ),
    )
    met = _met(scope, inner, target, type_)
    where = (
        f"WHERE {refers} AND {reference}.target_type = ''"
        f" AND {meant(scope, reference, target, (type_,))} AND {met.text}"
    )
    yield Sql(scope.exists(f"{table}{step.text} {where}"), (*step.params, *met.params))


def _led_to_from(
    scope: Scope, number: int, source: str, types: tuple[str, ...], inner: Compiled, rid: str
) -> Iterator[Sql]:
    own, reference = scope.alias(), scope.alias()
    step = scope.step(
        "index_reference",
        reference,
        "index_reference_target",
        Sql(
            f"{reference}.param = {number} AND {reference}.target_id = {own}.id"
            f" AND {reference}.target_type = {own}.type"
        ),
    )
    met = _met(scope, inner, reference, source)
    where = f"WHERE {own}.rid = {rid} AND {met.text}"
    yield Sql(scope.exists(f"FROM resource {own}{step.text} {where}"), met.params)
    if not url_numbers(types):
        return
    step = scope.step(
        "index_reference",
        reference,
        "index_reference_target",
        Sql(
            f"{reference}.param = {number} AND {reference}.target_id = {own}.value"
            f" AND {reference}.target_type = ''"
        ),
    )
    met = _met(scope, inner, reference, source)
    where = (
        f"WHERE {own}.rid = {rid} AND {param_is(own, url_numbers(types))}"
        f" AND {meant(scope, reference, own, types)} AND {met.text}"
    )
    table = f"FROM {scope.by_key('index_uri', own)}"
    yield Sql(scope.exists(f"{table}{step.text} {where}"), met.params)


def _met(scope: Scope, inner: Compiled, alias: str, type_: str) -> Sql:
    """The resource of a row, of this type, meets the criterion, and the caller may see it."""
    return all_of((inner.probe(f"{alias}.rid"), *scope.visible(f"{alias}.rid", (type_,))))
