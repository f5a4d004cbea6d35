"""How do criteria on the resource itself become SQL: id, time, compartment, list, any?"""

from __future__ import annotations

import re
from dataclasses import replace

from service.standard.registry import RESOURCE_TYPES
from service.standard.searching.query import IdIs, InCompartment, OnList, UpdatedAt
from service.store.searching.compiled import Arm, Compiled, Rank, Scope, negation
from service.store.searching.ranges import date_seeks
from service.store.searching.seeks import RID, UNORDERED, Seek
from service.store.searching.sql import Sql, all_of, any_of, marks


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
    """`_lastUpdated`: a point in time against the searched intervals."""
    seeks = [_point(seek) for value in criterion.values for seek in date_seeks(value)]

    def probe(rid: str) -> Sql:
        alias = scope.alias()
        met = any_of(seek.where(alias) for seek in seeks)
        text = f"FROM resource {alias} WHERE {alias}.rid = {rid} AND {met.text}"
        return Sql(scope.exists(text), met.params)

    source = Sql(scope.by("resource", "d", "resource_updated"))
    arms = tuple(
        Arm(
            source,
            all_of((Sql("d.type = ?", (type_,)), seek.stretch("d"))),
            "updated",
            all_of((Sql("d.deleted = FALSE"), seek.sift("d") or Sql("TRUE"))),
        )
        for type_ in scope.types
        for seek in seeks
    )
    return Compiled(probe, arms)


def _point(seek: Seek) -> Seek:
    """The same of a single point in time."""
    names = re.compile(r"@\.(low|high)\b")
    return replace(
        seek,
        text=names.sub("@.updated", seek.text),
        filter=names.sub("@.updated", seek.filter),
    )


def compile_compartment(criterion: InCompartment, scope: Scope) -> Compiled:
    """In the compartment of a Patient. Its rows outlive a deletion, so that is asked too."""

    def probe(rid: str) -> Sql:
        alias = scope.alias()
        table = scope.by_key("compartment", alias)
        text = f"FROM {table} WHERE {alias}.rid = {rid} AND {alias}.patient = ?"
        return Sql(scope.exists(text), (criterion.patient,))

    alive = scope.alias()
    text = f"FROM resource {alive} WHERE {alive}.rid = d.rid AND {alive}.deleted = FALSE"
    present = Sql(scope.exists(text))
    source = Sql(scope.by("compartment", "d", "compartment_of_patient"))
    if scope.types == RESOURCE_TYPES:
        whole = Sql("d.patient = ?", (criterion.patient,))
        return Compiled(probe, (Arm(source, whole, UNORDERED, present),), Rank.CLIENT)
    where = "d.patient = ? AND d.type = ?"
    arms = tuple(
        Arm(source, Sql(where, (criterion.patient, type_)), RID, present) for type_ in scope.types
    )
    return Compiled(probe, arms, Rank.CLIENT)


def compile_list(criterion: OnList, scope: Scope) -> Compiled:
    """An item of one of these lists."""
    ids = criterion.ids

    def items(list_: str, item: str) -> Sql:
        hidden = all_of((Sql("TRUE"), *scope.visible(f"{list_}.rid")))
        return Sql(
            f"{list_}.type = 'List' AND {list_}.id IN ({marks(len(ids))})"
            f" AND {list_}.deleted = FALSE AND {item}.rid = {list_}.rid"
            f" AND {item}.param = {criterion.parameter.number} AND {hidden.text}",
            ids + hidden.params,
        )

    def probe(rid: str) -> Sql:
        own, list_, item = scope.alias(), scope.alias(), scope.alias()
        met = items(list_, item)
        text = (
            f"FROM resource {own} CROSS JOIN resource {list_}"
            f" CROSS JOIN {scope.by_key('index_reference', item)}"
            f" WHERE {own}.rid = {rid} AND {met.text}"
            f" AND {item}.target_id = {own}.id AND {item}.target_type = {own}.type"
        )
        return Sql(scope.exists(text), met.params)

    list_, item = scope.alias(), scope.alias()
    met = items(list_, item)
    where = Sql(
        f"{met.text} AND d.type = {item}.target_type AND d.id = {item}.target_id"
        f" AND d.type IN ({marks(len(scope.types))}) AND d.deleted = FALSE",
        met.params + scope.types,
    )
    source = Sql(
        f"resource {list_} CROSS JOIN {scope.by_key('index_reference', item)}"
        f" CROSS JOIN {scope.by('resource', 'd', 'resource_identity')}"
    )
    return Compiled(probe, (Arm(source, where, UNORDERED),))
