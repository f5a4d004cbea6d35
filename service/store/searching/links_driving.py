"""How does a criterion at the other end of a link drive a search?

From the resources that meet it, one link back. What must be known to be few before: these.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.store.searching.canonical import meant, url_numbers
from service.store.searching.compiled import Arm, Scope, param_is
from service.store.searching.seeks import UNORDERED
from service.store.sql import Sql, all_of, marks

_BY_TARGET = "index_reference_target"


def from_target(scope: Scope, numbers: tuple[int, ...], type_: str, arm: Arm) -> Iterator[Arm]:
    """What refers, by one of these parameters, to the resources of an arm."""
    found, target = scope.alias(), scope.alias()
    own = Sql(f"{target}.rid = {found}.rid AND {target}.type = ?", (type_,))
    yield _link(
        arm,
        found,
        scope.step("resource", target, "", all_of((own, *_alive(scope, target, type_)))),
        scope.step(
            "index_reference",
            "d",
            _BY_TARGET,
            Sql(
                f"{param_is('d', numbers)} AND d.target_id = {target}.id AND d.target_type = ?",
                (type_,),
            ),
        ),
    )
    if url_numbers((type_,)):
        own = Sql(f"{target}.rid = {found}.rid AND {param_is(target, url_numbers((type_,)))}")
        refers = (
            f"{param_is('d', numbers)} AND d.target_id = {target}.value AND d.target_type = ''"
            f" AND {meant(scope, 'd', target, (type_,))}"
        )
        yield _link(
            arm,
            found,
            scope.step("index_uri", target, "", _seen(scope, own, target, type_)),
            scope.step("index_reference", "d", _BY_TARGET, Sql(refers)),
        )


def from_source(
    scope: Scope, number: int, source: str, types: tuple[str, ...], arm: Arm
) -> Iterator[Arm]:
    """What the resources of an arm, of the type `source`, refer to by this parameter, of these
    types."""
    found, reference = scope.alias(), scope.alias()
    refers = Sql(f"{reference}.rid = {found}.rid AND {reference}.param = {number}")
    yield _link(
        arm,
        found,
        scope.step("index_reference", reference, "", _seen(scope, refers, reference, source)),
        scope.step(
            "resource",
            "d",
            "resource_identity",
            Sql(
                f"d.type = {reference}.target_type AND d.id = {reference}.target_id"
                f" AND d.type IN ({marks(len(types))}) AND d.deleted = FALSE",
                types,
            ),
        ),
    )
    if url_numbers(types):
        named = (
            f"{param_is('d', url_numbers(types))} AND d.value = {reference}.target_id"
            f" AND {meant(scope, reference, 'd', types)}"
        )
        url = Sql(f"{refers.text} AND {reference}.target_type = ''")
        yield _link(
            arm,
            found,
            scope.step("index_reference", reference, "", _seen(scope, url, reference, source)),
            scope.step("index_uri", "d", "index_uri_value", Sql(named)),
        )


def _alive(scope: Scope, alias: str, type_: str) -> tuple[Sql, ...]:
    return (Sql(f"{alias}.deleted = FALSE"), *scope.visible(f"{alias}.rid", (type_,)))


def _seen(scope: Scope, where: Sql, alias: str, type_: str) -> Sql:
    return all_of((where, *scope.visible(f"{alias}.rid", (type_,))))


def _link(arm: Arm, found: str, *steps: Sql) -> Arm:
    inner = arm.select("DISTINCT d.rid")
    text = f"({inner.text}) AS {found}" + "".join(step.text for step in steps)
    params = (*inner.params, *(value for step in steps for value in step.params))
    return Arm(Sql(text, params), Sql("TRUE"), UNORDERED, before=(*arm.before, arm.reads("1")))
