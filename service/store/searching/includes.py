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
from service.store.rows import COLUMNS, Stored
from service.store.searching.canonical import joined, url_numbers
from service.store.searching.compiled import Scope, param_is
from service.store.searching.limits import Limits
from service.store.searching.sql import Sql, all_of, marks

_BATCH = 256


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
            for start in range(0, len(sources), _BATCH):
                new += self._take(step(sources[start : start + _BATCH], include))
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
            source = self._scope.by_key("index_reference", "f")
            uri = self._scope.by("index_uri", "u", "index_uri_value")
            found += self._stored(
                f"{source} CROSS JOIN {uri} CROSS JOIN resource r",
                Sql(
                    f"{refers} AND {joined(self._scope, 'f', 'u', targets)} AND r.rid = u.rid",
                    rids,
                ),
            )
        return found

    def _named(self, type_: str, ids: Sequence[str]) -> list[Stored]:
        found: list[Stored] = []
        for start in range(0, len(ids), _BATCH):
            batch = tuple(ids[start : start + _BATCH])
            where = Sql(f"r.type = ? AND r.id IN ({marks(len(batch))})", (type_, *batch))
            found += self._stored("resource r", where)
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
        index = self._scope.by("index_reference", "f", "index_reference_target")
        found = self._stored(
            f"resource o CROSS JOIN {index} CROSS JOIN resource r",
            Sql(
                f"o.rid IN ({marks(len(rids))}) AND {param_is('f', numbers)}"
                " AND f.target_id = o.id AND f.target_type = o.type AND r.rid = f.rid",
                rids,
            ),
        )
        types = tuple(sorted({source.type for source in aimed}))
        if url_numbers(types):
            uri = self._scope.by_key("index_uri", "o")
            found += self._stored(
                f"{uri} CROSS JOIN {index} CROSS JOIN resource r",
                Sql(
                    f"o.rid IN ({marks(len(rids))}) AND {param_is('f', numbers)}"
                    f" AND {joined(self._scope, 'f', 'o', types)} AND r.rid = f.rid",
                    rids,
                ),
            )
        return found

    def _stored(self, source: str, where: Sql) -> list[Stored]:
        seen = all_of((where, Sql("r.deleted = FALSE"), *self._scope.visible("r.rid")))
        rows = self._connection.rows(
            f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
            f" WHERE r.rid IN (SELECT r.rid FROM {source} WHERE {seen.text}"
            f" LIMIT {self._limit * 4 + 1})",
            seen.params,
        )
        return [Stored._make(row) for row in rows]
