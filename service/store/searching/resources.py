"""How do criteria on the resource itself become SQL: id, time, compartment, list, any?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.standard.registry import RESOURCE_TYPES
from service.standard.searching.query import IdIs, InCompartment, OnList, UpdatedAt
from service.store.caseload import clients_of_tied, is_narrowed
from service.store.index import SHARED
from service.store.searching.compiled import Arm, Compiled, Rank, Scope, negation
from service.store.searching.seeks import RID, UNORDERED
from service.store.searching.spans import Bounds, bounds_of, point, point_stretch
from service.store.sql import Sql, all_of, any_of, marks
from service.store.visibility import within_scopes

_MANY_CLIENTS = 50


def every_resource(scope: Scope) -> tuple[Arm, ...]:
    """All resources of the types searched, in the order of `rid`."""
    if scope.types == RESOURCE_TYPES:
        return (Arm(Sql("resource d"), Sql("d.rid > 0 AND d.deleted = FALSE"), RID),)
    source = Sql(scope.by("resource", "d", "resource_walk"))
    return tuple(
        Arm(source, Sql("d.type = ? AND d.deleted = FALSE", (type_,)), RID) for type_ in scope.types
    )


def compile_ids(criterion: IdIs, scope: Scope) -> Compiled:
    """`_id`: any of these, or none."""
    ids = criterion.ids

    def probe(rid: str) -> Sql:
        alias = scope.alias()
        text = f"FROM resource {alias} WHERE {alias}.rid = {rid}"
        found = Sql(scope.exists(f"{text} AND {alias}.id IN ({marks(len(ids))})"), ids)
        return negation(found) if criterion.negated else found

    if criterion.negated:
        return Compiled(probe)
    where, alive = f"d.type = ? AND d.id IN ({marks(len(ids))})", Sql("d.deleted = FALSE")
    source = Sql(scope.by("resource", "d", "resource_identity"))
    arms = tuple(Arm(source, Sql(where, (type_, *ids)), UNORDERED, alive) for type_ in scope.types)
    return Compiled(probe, arms, Rank.UNIQUE if len(ids) <= 20 else Rank.OPEN)


def compile_updated(criterion: UpdatedAt, scope: Scope) -> Compiled:
    """`_lastUpdated`: a point in time that meets one of these."""
    return updated_within(scope, [b for value in criterion.values for b in bounds_of(value)])


def updated_within(scope: Scope, bounds: Sequence[Bounds]) -> Compiled:
    """Updated at a time that meets one of the bounds."""

    def probe(rid: str) -> Sql:
        alias = scope.alias()
        met = any_of(point(bound, f"{alias}.updated") for bound in bounds)
        text = f"FROM resource {alias} WHERE {alias}.rid = {rid} AND {met.text}"
        return Sql(scope.exists(text), met.params)

    source = Sql(scope.by("resource", "d", "resource_updated"))
    arms = tuple(
        Arm(
            source,
            all_of((Sql("d.type = ?", (type_,)), point_stretch(bound, "d.updated"))),
            "updated",
            all_of((Sql("d.deleted = FALSE"), point(bound, "d.updated"))),
        )
        for type_ in scope.types
        for bound in bounds
    )
    window = "_lastUpdated" if len(bounds) == 1 else None
    return Compiled(probe, arms, window=window)


def compile_compartment(criterion: InCompartment, scope: Scope) -> Compiled:
    """In the compartment of a Patient."""

    def probe(rid: str) -> Sql:
        alias = scope.alias()
        table = scope.by_key("compartment", alias)
        text = f"FROM {table} WHERE {alias}.rid = {rid} AND {alias}.patient = ?"
        return Sql(scope.exists(text), (criterion.patient,))

    return Compiled(probe, _record(scope, criterion.patient), Rank.CLIENT)


def _record(scope: Scope, patient: str) -> tuple[Arm, ...]:
    """What lies in a compartment. Its rows outlive a deletion, so that is asked too."""
    alive = scope.alias()
    text = f"FROM resource {alive} WHERE {alive}.rid = d.rid AND {alive}.deleted = FALSE"
    present = Sql(scope.exists(text))
    source = Sql(scope.by("compartment", "d", "compartment_of_patient"))
    if scope.types == RESOURCE_TYPES:
        return (Arm(source, Sql("d.patient = ?", (patient,)), UNORDERED, present),)
    return tuple(
        Arm(source, Sql("d.patient = ? AND d.type = ?", (patient, type_)), RID, present)
        for type_ in scope.types
    )


def compile_visible(scope: Scope) -> Compiled | None:
    """The caller may see it. A caller with few clients is best served from their records."""
    seen = scope.visible("d.rid", scope.types)
    if not seen:
        return None

    def probe(rid: str) -> Sql:
        return scope.visible(rid, scope.types)[0]

    caller = scope.caller
    clients = caller.clients or frozenset()
    if not is_narrowed(caller, "s") or len(clients) > _MANY_CLIENTS:
        return Compiled(probe)
    arms = [arm for one in sorted(clients) for arm in _record(scope, one)]
    tied = clients_of_tied(caller)
    if tied is not None:
        arms += _records_of(scope, Sql(*tied))
    allowed = within_scopes(caller, "d.rid", "s", scope.types)
    if allowed is not None:
        arms = [_sifted(arm, Sql(*allowed)) for arm in arms]
    arms += [_sifted(arm, seen[0]) for arm in _record(scope, SHARED)]
    return Compiled(probe, tuple(arms))


def _records_of(scope: Scope, clients: Sql) -> tuple[Arm, ...]:
    """What lies in the compartments of the clients of a select."""
    alive, found = scope.alias(), scope.alias()
    text = f"FROM resource {alive} WHERE {alive}.rid = d.rid AND {alive}.deleted = FALSE"
    own = f"d.patient = {found}.id"
    typed = [Sql(f"{own} AND d.type = ?", (type_,)) for type_ in scope.types]
    arms = []
    for where in [Sql(own)] if scope.types == RESOURCE_TYPES else typed:
        step = scope.step("compartment", "d", "compartment_of_patient", where)
        source = Sql(f"({clients.text}) AS {found}{step.text}", clients.params + step.params)
        present = Sql(scope.exists(text))
        arms.append(Arm(source, Sql("TRUE"), UNORDERED, present, before=(clients,)))
    return tuple(arms)


def _sifted(arm: Arm, condition: Sql) -> Arm:
    return replace(arm, sift=all_of((arm.sift, condition) if arm.sift else (condition,)))


def compile_list(criterion: OnList, scope: Scope) -> Compiled:
    """An item of one of these lists."""
    ids = criterion.ids

    number = criterion.parameter.number

    def probe(rid: str) -> Sql:
        own, list_, item = scope.alias(), scope.alias(), scope.alias()
        names = scope.exists(
            f"FROM {scope.by_key('index_reference', item)} WHERE {item}.rid = {list_}.rid"
            f" AND {item}.param = {number} AND {item}.target_id = {own}.id"
            f" AND {item}.target_type = {own}.type"
        )
        lists = _lists(scope, list_, ids)
        on_one = scope.exists(f"FROM resource {list_} WHERE {lists.text} AND {names}")
        text = f"FROM resource {own} WHERE {own}.rid = {rid} AND {on_one}"
        return Sql(scope.exists(text), lists.params)

    list_, item = scope.alias(), scope.alias()
    lists = _lists(scope, list_, ids)
    steps = (
        scope.step(
            "index_reference",
            item,
            "",
            Sql(f"{item}.rid = {list_}.rid AND {item}.param = {number}"),
        ),
        scope.step(
            "resource",
            "d",
            "resource_identity",
            Sql(
                f"d.type = {item}.target_type AND d.id = {item}.target_id"
                f" AND d.type IN ({marks(len(scope.types))}) AND d.deleted = FALSE",
                scope.types,
            ),
        ),
    )
    source = Sql(
        f"(SELECT * FROM resource {list_} WHERE {lists.text}) AS {list_}"
        + "".join(step.text for step in steps),
        (*lists.params, *(value for step in steps for value in step.params)),
    )
    return Compiled(probe, (Arm(source, Sql("TRUE"), UNORDERED),))


def _lists(scope: Scope, alias: str, ids: tuple[str, ...]) -> Sql:
    """These lists, as far as the caller may see them."""
    own = Sql(
        f"{alias}.type = 'List' AND {alias}.id IN ({marks(len(ids))}) AND {alias}.deleted = FALSE",
        ids,
    )
    return all_of((own, *scope.visible(f"{alias}.rid")))
