"""What comes along with the matches? `_include`, `_revinclude`, `:iterate`.

R4 search page, #include and #revinclude. References by URL lead to the resources with that
canonical URL. What the caller may not see never comes along.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from service.caller import Caller
from service.errors import Issue
from service.standard.searching.query import Include
from service.store.connection import Connection
from service.store.rows import Stored
from service.store.searching.bodies import fetch
from service.store.searching.canonical import meant, url_numbers
from service.store.searching.compiled import Scope, param_is
from service.store.searching.limits import Limits
from service.store.sql import Sql, all_of, batches, marks


def included(
    connection: Connection,
    caller: Caller,
    matches: Sequence[Stored],
    includes: Sequence[Include],
    limits: Limits,
) -> tuple[tuple[Stored, ...], tuple[Issue, ...]]:
    """Resources to go with the matches, none of them twice, and what there is to be told."""
    if not includes or not matches:
        return (), ()
    search = _Search(connection, caller, {m.rid for m in matches}, limits.included)
    new, asked = list(matches), list(includes)
    while new and asked and not search.full:
        new = search.round(new, asked)
        asked = [include for include in asked if include.iterate]
    issues = (_told(limits.included),) if search.full else ()
    return tuple(search.found), issues


def _told(limit: int) -> Issue:
    return Issue(
        "warning",
        "too-costly",
        f"More than {limit} resources would be included; the rest was left out",
    )


class _Search:
    """What was found so far."""

    def __init__(self, connection: Connection, caller: Caller, known: set[int], limit: int) -> None:
        self.found: list[Stored] = []
        self.full = False
        self._connection = connection
        self._scope = Scope(caller, connection.dialect, ())
        self._known = known
        self._limit = limit

    def round(self, sources: Sequence[Stored], includes: Iterable[Include]) -> list[Stored]:
        """Follow these includes once from the sources; gives what is new."""
        new: list[Stored] = []
        for include in includes:
            step = self._backward if include.reverse else self._forward
            for some in batches(sources):
                new += self._take(step(some, include))
                if self.full:
                    return new
        return new

    def _take(self, rows: Iterable[Stored]) -> list[Stored]:
        fresh = {row.rid: row for row in rows if row.rid not in self._known}
        room = self._limit - len(self.found)
        self.full = self.full or len(fresh) > room
        taken = [fresh[rid] for rid in sorted(fresh)][:room]
        self.found += taken
        self._known |= {row.rid for row in taken}
        return taken

    def _forward(self, sources: Sequence[Stored], include: Include) -> list[Stored]:
        types = {source.type for source in sources}
        parameters = [p for p in include.parameters if p.type in types]
        if not parameters:
            return []
        numbers = tuple(parameter.number for parameter in parameters)
        rids = tuple(source.rid for source in sources)
        refers = f"f.rid IN ({marks(len(rids))}) AND {param_is('f', numbers)}"
        rows = self._connection.rows(
            f"SELECT DISTINCT f.target_type, f.target_id"
            f" FROM {self._scope.by_key('index_reference', 'f')} WHERE {refers}",
            rids,
        )
        by_type: dict[str, list[str]] = defaultdict(list)
        for type_, target in rows:
            if not type_ or not include.targets or type_ in include.targets:
                by_type[type_].append(target)
        urls = by_type.pop("", [])
        found = [row for type_, ids in by_type.items() for row in self._named(type_, ids)]
        targets = include.targets or tuple(sorted({t for p in parameters for t in p.targets}))
        if urls and url_numbers(targets):
            scope = self._scope
            where = (
                f"{param_is('u', url_numbers(targets))} AND u.value = f.target_id"
                f" AND {meant(scope, 'f', 'u', targets)}"
            )
            url = scope.step("index_uri", "u", "index_uri_value", Sql(where))
            source = Sql(f"{scope.by_key('index_reference', 'f')}{url.text}")
            found += self._stored(source, "u", Sql(f"{refers} AND f.target_type = ''", rids))
        return found

    def _named(self, type_: str, ids: Sequence[str]) -> list[Stored]:
        found: list[Stored] = []
        for batch in batches(ids):
            where = Sql(f"r.type = ? AND r.id IN ({marks(len(batch))})", (type_, *batch))
            found += self._stored(Sql("resource r"), "r", where)
        return found

    def _backward(self, sources: Sequence[Stored], include: Include) -> list[Stored]:
        targets = set(include.targets)
        aimed = [s for s in sources if not targets or s.type in targets]
        parameters = [
            p for p in include.parameters if any(source.type in p.targets for source in aimed)
        ]
        if not aimed or not parameters:
            return []
        rids = tuple(source.rid for source in aimed)
        numbers = tuple(parameter.number for parameter in parameters)
        scope, by_target = self._scope, "index_reference_target"
        refers = f"{param_is('f', numbers)} AND f.target_id = o.id AND f.target_type = o.type"
        step = scope.step("index_reference", "f", by_target, Sql(refers))
        own = Sql(f"o.rid IN ({marks(len(rids))})", rids)
        found = self._stored(Sql(f"resource o{step.text}"), "f", own)
        types = tuple(sorted({source.type for source in aimed}))
        if url_numbers(types):
            refers = (
                f"{param_is('f', numbers)} AND f.target_id = o.value AND f.target_type = ''"
                f" AND {meant(scope, 'f', 'o', types)}"
            )
            step = scope.step("index_reference", "f", by_target, Sql(refers))
            named = Sql(f"{own.text} AND {param_is('o', url_numbers(types))}", rids)
            found += self._stored(Sql(f"{scope.by_key('index_uri', 'o')}{step.text}"), "f", named)
        return found

    def _stored(self, source: Sql, alias: str, where: Sql) -> list[Stored]:
        """The resources whose rids the rows give, as far as they may be seen."""
        seen = all_of((where, *self._scope.visible(f"{alias}.rid")))
        rows = self._connection.rows(
            f"SELECT DISTINCT {alias}.rid FROM {source.text} WHERE {seen.text} LIMIT ?",
            (*source.params, *seen.params, self._limit + len(self._known) + 1),
        )
        rids = [rid for (rid,) in rows if rid not in self._known]
        stored = fetch(self._connection, sorted(rids)[: self._limit + 1])
        return [row for row in stored if not row.deleted]
