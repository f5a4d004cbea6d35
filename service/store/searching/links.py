"""How do chains and `_has` become SQL? Each link is a look-up by identity and one by reference.

A chain: reference of the resource -> identity of the target -> criterion on the target.
`_has`: identity of the resource -> reference that leads to it -> criterion on where it is from.
To drive, the same way is gone backwards. Where a type has canonical URLs, these lead to it too.
R4 search page, #chaining, #has.
"""

from __future__ import annotations

from collections.abc import Callable

from service.standard.searching.query import Chain, Criterion, Has
from service.store.searching.canonical import joined, url_numbers
from service.store.searching.compiled import Arm, Compiled, Scope, param_is
from service.store.searching.seeks import UNORDERED
from service.store.searching.sql import Sql, all_of, any_of, marks

Compile = Callable[[Criterion, Scope], Compiled]
_BY_TARGET = "index_reference_target"


def compile_chain(criterion: Chain, scope: Scope, compile_: Compile) -> Compiled:
    """Refers to a resource that meets the criterion of its type."""
    numbers = tuple(parameter.number for parameter in criterion.parameters)
    branches = [
        (type_, compile_(inner, scope.narrowed((type_,)))) for type_, inner in criterion.branches
    ]

    def probe(rid: str) -> Sql:
        return any_of(
            leads
            for type_, inner in branches
            for leads in _leads_to(scope, numbers, type_, inner, rid)
        )

    if not all(inner.arms for _, inner in branches):
        return Compiled(probe)
    arms = tuple(
        arm
        for type_, inner in branches
        for from_ in inner.arms
        for arm in _from_target(scope, numbers, type_, from_)
    )
    return Compiled(probe, arms)


def compile_has(criterion: Has, scope: Scope, compile_: Compile) -> Compiled:
    """Is referred to from a resource that meets the criterion."""
    number, types = criterion.parameter.number, criterion.types
    inner = compile_(criterion.criterion, scope.narrowed((criterion.parameter.type,)))

    def probe(rid: str) -> Sql:
        return any_of(_led_to_from(scope, number, types, inner, rid))

    arms = tuple(arm for from_ in inner.arms for arm in _from_source(scope, number, types, from_))
    return Compiled(probe, arms)


def _leads_to(
    scope: Scope, numbers: tuple[int, ...], type_: str, inner: Compiled, rid: str
) -> list[Sql]:
    reference, target = scope.alias(), scope.alias()
    start = f"FROM {scope.by_key('index_reference', reference)} CROSS JOIN "
    refers = f" WHERE {reference}.rid = {rid} AND {param_is(reference, numbers)} AND "
    met = _met(scope, inner, target)
    found = [
        Sql(
            scope.exists(
                f"{start}{scope.by('resource', target, 'resource_identity')}{refers}"
                f"{reference}.target_type = ? AND {target}.type = {reference}.target_type"
                f" AND {target}.id = {reference}.target_id"
                f" AND {target}.deleted = FALSE AND {met.text}"
            ),
            (type_, *met.params),
        )
    ]
    if url_numbers((type_,)):
        met = _met(scope, inner, target)
        found.append(
            Sql(
                scope.exists(
                    f"{start}{scope.by('index_uri', target, 'index_uri_value')}{refers}"
                    f"{joined(scope, reference, target, (type_,))} AND {met.text}"
                ),
                met.params,
            )
        )
    return found


def _led_to_from(
    scope: Scope, number: int, types: tuple[str, ...], inner: Compiled, rid: str
) -> list[Sql]:
    own, reference = scope.alias(), scope.alias()
    refers = scope.by("index_reference", reference, _BY_TARGET)
    met = _met(scope, inner, reference)
    found = [
        Sql(
            scope.exists(
                f"FROM resource {own} CROSS JOIN {refers}"
                f" WHERE {own}.rid = {rid} AND {reference}.param = {number}"
                f" AND {reference}.target_id = {own}.id AND {reference}.target_type = {own}.type"
                f" AND {met.text}"
            ),
            met.params,
        )
    ]
    if url_numbers(types):
        met = _met(scope, inner, reference)
        found.append(
            Sql(
                scope.exists(
                    f"FROM {scope.by_key('index_uri', own)} CROSS JOIN {refers}"
                    f" WHERE {own}.rid = {rid} AND {reference}.param = {number}"
                    f" AND {joined(scope, reference, own, types)} AND {met.text}"
                ),
                met.params,
            )
        )
    return found


def _met(scope: Scope, inner: Compiled, alias: str) -> Sql:
    """The resource of a row meets the criterion, and the caller may see it."""
    return all_of((inner.probe(f"{alias}.rid"), *scope.visible(f"{alias}.rid")))


def _from_target(scope: Scope, numbers: tuple[int, ...], type_: str, arm: Arm) -> list[Arm]:
    found, target = scope.alias(), scope.alias()
    refers = scope.by("index_reference", "d", _BY_TARGET)
    seen = all_of((Sql("TRUE"), *scope.visible(f"{target}.rid")))
    arms = [
        _link(
            arm,
            f"{found} CROSS JOIN resource {target} CROSS JOIN {refers}",
            Sql(
                f"{target}.rid = {found}.rid AND {target}.type = ? AND {target}.deleted = FALSE"
                f" AND {param_is('d', numbers)} AND d.target_id = {target}.id"
                f" AND d.target_type = ? AND {seen.text}",
                (type_, type_, *seen.params),
            ),
        )
    ]
    if url_numbers((type_,)):
        uri = scope.by_key("index_uri", target)
        arms.append(
            _link(
                arm,
                f"{found} CROSS JOIN {uri} CROSS JOIN {refers}",
                Sql(
                    f"{target}.rid = {found}.rid AND {param_is('d', numbers)}"
                    f" AND {joined(scope, 'd', target, (type_,))} AND {seen.text}",
                    seen.params,
                ),
            )
        )
    return arms


def _from_source(scope: Scope, number: int, types: tuple[str, ...], arm: Arm) -> list[Arm]:
    found, reference = scope.alias(), scope.alias()
    refers = scope.by_key("index_reference", reference)
    seen = all_of((Sql("TRUE"), *scope.visible(f"{found}.rid")))
    start = f"{reference}.rid = {found}.rid AND {reference}.param = {number}"
    arms = [
        _link(
            arm,
            f"{found} CROSS JOIN {refers} CROSS JOIN"
            f" {scope.by('resource', 'd', 'resource_identity')}",
            Sql(
                f"{start} AND d.type = {reference}.target_type AND d.id = {reference}.target_id"
                f" AND d.type IN ({marks(len(types))}) AND d.deleted = FALSE AND {seen.text}",
                (*types, *seen.params),
            ),
        )
    ]
    if url_numbers(types):
        arms.append(
            _link(
                arm,
                f"{found} CROSS JOIN {refers} CROSS JOIN"
                f" {scope.by('index_uri', 'd', 'index_uri_value')}",
                Sql(
                    f"{start} AND {joined(scope, reference, 'd', types)} AND {seen.text}",
                    seen.params,
                ),
            )
        )
    return arms


def _link(arm: Arm, source: str, where: Sql) -> Arm:
    """From the rows of an arm one link further."""
    inner = arm.select("DISTINCT d.rid")
    return Arm(
        Sql(f"({inner.text}) {source}", inner.params),
        where,
        UNORDERED,
        before=(*arm.before, arm.reads("1")),
    )
