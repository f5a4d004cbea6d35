"""How is a search answered?

Compile the criteria, choose which one drives, read one page of keys, fetch the stored bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.caller import Caller
from service.errors import Issue, TooCostly
from service.standard.searching.query import (
    Chain,
    Condition,
    Criterion,
    Has,
    HasWords,
    IdIs,
    InCompartment,
    Missing,
    OnList,
    SearchQuery,
    Total,
    UpdatedAt,
)
from service.store.connection import Connection
from service.store.rows import Stored
from service.store.searching.bodies import fetch
from service.store.searching.compiled import Compiled, Scope
from service.store.searching.conditions import compile_condition, compile_missing
from service.store.searching.counting import total_of
from service.store.searching.cursors import Cursor, seal, unseal
from service.store.searching.includes import included
from service.store.searching.limits import DEFAULT, Limits, within_the_engine
from service.store.searching.links import compile_chain, compile_has
from service.store.searching.plans import Page, read_page
from service.store.searching.present import with_present_codes
from service.store.searching.resources import (
    compile_compartment,
    compile_ids,
    compile_list,
    compile_updated,
    compile_visible,
)
from service.store.searching.ways import Plan
from service.store.searching.windows import windows
from service.store.searching.words import compile_words
from service.store.visibility import sees_nothing


@dataclass(frozen=True, slots=True)
class Found:
    """The answer: matches in order, what was included, cursors of the pages around it.

    `total` is None where it was neither asked for nor known anyway.
    """

    matches: tuple[Stored, ...]
    included: tuple[Stored, ...] = ()
    total: int | None = None
    next: str | None = None
    previous: str | None = None
    issues: tuple[Issue, ...] = ()


@within_the_engine()
def search(
    connection: Connection,
    caller: Caller,
    query: SearchQuery,
    *,
    count: int,
    secret: bytes,
    limits: Limits = DEFAULT,
) -> Found:
    """One page of at most `count` matches with what they include.

    Raises Invalid for a cursor that was altered, TooCostly where no index keeps the search small.
    """
    shape = query.shape
    if sees_nothing(caller, "s", query.types):
        return Found((), total=0)
    plan = plan_of(connection, caller, query, limits)
    if shape.only_count or count == 0:
        return Found((), total=total_of(plan, "accurate"))
    cursor = None if shape.cursor is None else unseal(shape.cursor, query, secret)
    page = read_page(plan, cursor, count)
    matches = fetch(connection, [key[-1] for key in page.keys])
    total = _total(plan, page, cursor, shape.total)
    others, issues = included(connection, caller, matches, shape.includes, limits)
    return Found(
        matches,
        others,
        total,
        None if page.after is None else seal(Cursor(page.order, page.after), query, secret),
        None if page.before is None else seal(Cursor(page.order, page.before, True), query, secret),
        issues,
    )


@within_the_engine()
def find(
    connection: Connection,
    caller: Caller,
    query: SearchQuery,
    *,
    limit: int = 2,
    limits: Limits = DEFAULT,
) -> list[Stored]:
    """The first `limit` matches, for conditional writes; order, paging and includes are ignored.

    Raises TooCostly where it cannot be told whether there are more.
    """
    if sees_nothing(caller, "s", query.types):
        return []
    plain = replace(query, shape=replace(query.shape, sort=(), cursor=None))
    page = read_page(plan_of(connection, caller, plain, limits), None, limit)
    if page.after is not None and len(page.keys) < limit:
        raise TooCostly("The search touches too many resources to tell which one is meant")
    return list(fetch(connection, [key[-1] for key in page.keys]))


def plan_of(
    connection: Connection, caller: Caller, query: SearchQuery, limits: Limits = DEFAULT
) -> Plan:
    """The search, compiled."""
    scope = Scope(caller, connection.dialect, query.types)
    criteria, others = windows(with_present_codes(connection, query.criteria, scope), scope)
    criteria += [compile_criterion(criterion, scope) for criterion in others]
    narrowed = compile_visible(scope)
    if narrowed is not None:
        criteria.append(narrowed)
    return Plan(connection, scope, tuple(criteria), query.shape.sort, limits)


def compile_criterion(criterion: Criterion, scope: Scope) -> Compiled:
    """Any criterion."""
    match criterion:
        case Condition():
            return compile_condition(criterion, scope)
        case Missing():
            return compile_missing(criterion, scope)
        case Chain():
            return compile_chain(criterion, scope, compile_criterion)
        case Has():
            return compile_has(criterion, scope, compile_criterion)
        case IdIs():
            return compile_ids(criterion, scope)
        case UpdatedAt():
            return compile_updated(criterion, scope)
        case InCompartment():
            return compile_compartment(criterion, scope)
        case OnList():
            return compile_list(criterion, scope)
        case HasWords():
            return compile_words(criterion, scope)


def _total(plan: Plan, page: Page, cursor: Cursor | None, wanted: Total | None) -> int | None:
    if cursor is None and page.after is None:
        return len(page.keys)
    return None if wanted in (None, "none") else total_of(plan, wanted)
