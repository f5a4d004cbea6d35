"""How do chains and `_has` become SQL? Each link is a look-up by identity and one by reference.

A chain: reference of the resource -> identity of the target -> criterion on the target.
`_has`: identity of the resource -> reference that leads to it -> criterion on where it is from.
To drive, the same way is gone backwards. R4 search page, #chaining, #has.
"""

from __future__ import annotations

from collections.abc import Callable

from service.standard.searching.query import Chain, Criterion, Has
from service.store.searching.compiled import Arm, Compiled, Scope, param_is
from service.store.searching.seeks import UNORDERED
from service.store.searching.sql import Sql, all_of, any_of, marks

Compile = Callable[[Criterion, Scope], Compiled]


def compile_chain(criterion: Chain, scope: Scope, compile_: Compile) -> Compiled:
    """Refers to a resource that meets the criterion of its type."""
    numbers = tuple(parameter.number for parameter in criterion.parameters)
    branches = [
        (type_, compile_(inner, scope.narrowed((type_,)))) for type_, inner in criterion.branches
    ]

    def probe(rid: str) -> Sql:
        return any_of(_leads_to(scope, numbers, type_, inner, rid) for type_, inner in branches)

    arms: list[Arm] = []
    for type_, inner in branches:
        if not inner.arms:
            return Compiled(probe)
        arms += [_from_target(scope, numbers, type_, arm) for arm in inner.arms]
    return Compiled(probe, tuple(arms))


def compile_has(criterion: Has, scope: Scope, compile_: Compile) -> Compiled:
    """Is referred to from a resource that meets the criterion."""
    number, types = criterion.parameter.number, criterion.types
    inner = compile_(criterion.criterion, scope.narrowed((criterion.parameter.type,)))

    def probe(rid: str) -> Sql:
        own, reference = scope.alias(), scope.alias()
        met = all_of((inner.probe(f"{reference}.rid"), *scope.visible(f"{reference}.rid")))
        return Sql(
            f"EXISTS (SELECT 1 FROM resource {own}"
            f" CROSS JOIN {scope.by('index_reference', reference, 'index_reference_target')}"
            f" WHERE {own}.rid = {rid} AND {reference}.param = {number}"
            f" AND {reference}.target_id = {own}.id AND {reference}.target_type = {own}.type"
            f" AND {met.text})",
            met.params,
        )

    arms = tuple(_from_source(scope, number, types, arm) for arm in inner.arms)
    return Compiled(probe, arms)


def _leads_to(scope: Scope, numbers: tuple[int, ...], type_: str, inner: Compiled, rid: str) -> Sql:
    reference, target = scope.alias(), scope.alias()
    met = all_of((inner.probe(f"{target}.rid"), *scope.visible(f"{target}.rid")))
    return Sql(
        f"EXISTS (SELECT 1 FROM {scope.by_key('index_reference', reference)}"
        f" CROSS JOIN {scope.by('resource', target, 'resource_identity')}"
        f" WHERE {reference}.rid = {rid} AND {param_is(reference, numbers)}"
        f" AND {reference}.target_type = ? AND {target}.type = {reference}.target_type"
        f" AND {target}.id = {reference}.target_id AND {target}.deleted = FALSE AND {met.text})",
        (type_, *met.params),
    )


def _from_target(scope: Scope, numbers: tuple[int, ...], type_: str, arm: Arm) -> Arm:
    found, target = scope.alias(), scope.alias()
    inner = arm.select("DISTINCT d.rid")
    seen = all_of((Sql("TRUE"), *scope.visible(f"{target}.rid")))
    return Arm(
        Sql(
            f"({inner.text}) {found} CROSS JOIN resource {target}"
            f" CROSS JOIN {scope.by('index_reference', 'd', 'index_reference_target')}",
            inner.params,
        ),
        Sql(
            f"{target}.rid = {found}.rid AND {target}.type = ? AND {target}.deleted = FALSE"
            f" AND {param_is('d', numbers)} AND d.target_id = {target}.id"
            f" AND d.target_type = ? AND {seen.text}",
            (type_, type_, *seen.params),
        ),
        UNORDERED,
        before=(*arm.before, arm.reads("1")),
    )


def _from_source(scope: Scope, number: int, types: tuple[str, ...], arm: Arm) -> Arm:
    found, reference = scope.alias(), scope.alias()
    inner = arm.select("DISTINCT d.rid")
    seen = all_of((Sql("TRUE"), *scope.visible(f"{found}.rid")))
    return Arm(
        Sql(
            f"({inner.text}) {found}"
            f" CROSS JOIN {scope.by_key('index_reference', reference)}"
            f" CROSS JOIN {scope.by('resource', 'd', 'resource_identity')}",
            inner.params,
        ),
        Sql(
            f"{reference}.rid = {found}.rid AND {reference}.param = {number}"
            f" AND d.type = {reference}.target_type AND d.id = {reference}.target_id"
            f" AND d.type IN ({marks(len(types))}) AND d.deleted = FALSE AND {seen.text}",
            (*types, *seen.params),
        ),
        UNORDERED,
        before=(*arm.before, arm.reads("1")),
    )
