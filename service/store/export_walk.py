"""Which resources does an export hold? A page at a time, each page one statement of bounded size.

Two walks meet every resource of a type that was there at the time of the export (`until.seq`):

- `settled_page`, or `record_page` (and for Provenance `about_page`): those that were not changed
  since, in the order of an index. What the tables tell of them now is what was so then.
- `changed_page`: those that were changed since, with the version that was current then; the
  tables tell of them what is so now, so that must be seen from the version itself.

Whoever is changed between the two walks is met twice, and who asks looks what is listed already.
No page needs a snapshot longer than its own statement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.caller import Caller
from service.standard.grants import LISTED
from service.store.connection import Connection
from service.store.export_conditions import target_number
from service.store.sql import Sql, all_of, batches, marks
from service.store.visibility import and_version_visible, visible

SETTLED = 5_000
CHANGED = 200
TARGETS = 1_000
LAST = 2**62
"""After every number there is."""

TRUE = Sql("TRUE")


@dataclass(frozen=True, slots=True)
class Window:
    """Whose newest version is meant: with a number up to `seq`, at a time after `since` and before
    `before`; `deletions`: also where that is a deletion. Times in microseconds since 1970."""

    seq: int
    since: int
    before: int
    deletions: bool


Met = tuple[int, int, bool]
"""A resource that was met: its rid, the number of its version, whether that is a deletion."""


class Changed(NamedTuple):
    """A resource that was changed since: the version that was current, with its bytes; those of
    the version before where it is a deletion."""

    rid: int
    seq: int
    updated: int
    deleted: bool
    visible: bool
    id: str
    body: bytes | None


def settled_page(
    connection: Connection,
    callers: Sequence[Caller],
    resource_type: str,
    window: Window,
    condition: Sql,
    after: tuple[int, int] | None,
) -> tuple[list[Met], tuple[int, int] | None]:
    """Resources of one type in the order of their last change, and where the next page begins.

    `condition` is about `r.rid`. The callers must all see the resource.
    """
    fits = all_of((*_visible(callers, resource_type), condition, _within(window)))
    hint = " INDEXED BY resource_updated" if connection.dialect == "sqlite" else ""
    rows = connection.rows(
        f"SELECT r.rid, r.seq, r.deleted, CASE WHEN {fits.text} THEN 1 ELSE 0 END, r.updated"
        f" FROM resource r{hint} WHERE r.type = ? AND (r.updated, r.rid) > (?, ?)"
        " AND r.updated < ? ORDER BY r.updated, r.rid LIMIT ?",
        (*fits.params, resource_type, *(after or (window.since, LAST)), window.before, SETTLED),
    )
    found = [(rid, seq, deleted) for rid, seq, deleted, meant, _ in rows if meant]
    return found, (rows[-1][4], rows[-1][0]) if len(rows) == SETTLED else None


def record_page(
    connection: Connection,
    callers: Sequence[Caller],
    key: str,
    resource_type: str,
    window: Window,
    condition: Sql,
    after: tuple[str, int] | None,
) -> tuple[list[Met], tuple[str, int] | None]:
    """The same for what lies in the records of the members of the export `key`, each once."""
    first = Sql(
        "NOT EXISTS (SELECT 1 FROM compartment k2 JOIN export_member m2"
        " ON m2.export = m.export AND m2.patient = k2.patient"
        " WHERE k2.rid = k.rid AND k2.patient < k.patient)"
    )
    at = Sql("r.updated > ? AND r.updated < ?", (window.since, window.before))
    own = _visible(callers, resource_type)
    fits = all_of((at, _within(window), first, *own, condition))
    start = after or ("", 0)
    rows = connection.rows(
        f"SELECT r.rid, r.seq, r.deleted, CASE WHEN {fits.text} THEN 1 ELSE 0 END,"
        f" m.patient FROM {_members(connection)}"
        " WHERE m.export = ? AND k.type = ? AND m.patient >= ? AND (m.patient > ? OR k.rid > ?)"
        " ORDER BY m.patient, k.rid LIMIT ?",
        (*fits.params, key, resource_type, start[0], *start, SETTLED),
    )
    found = [(rid, seq, deleted) for rid, seq, deleted, meant, _ in rows if meant]
    return found, (rows[-1][4], rows[-1][0]) if len(rows) == SETTLED else None


def about_page(
    connection: Connection,
    callers: Sequence[Caller],
    key: str,
    window: Window,
    condition: Sql,
    after: tuple[str, str, int] | None,
) -> tuple[list[Met], tuple[str, str, int] | None]:
    """Provenance about what lies in the records of the members of the export `key`.

    A page is of what lies there; what two pages are about is met twice.
    """
    start = after or ("", "", 0)
    targets = connection.rows(
        f"SELECT m.patient, k.type, k.rid FROM {_lying(connection)}"
        " WHERE m.export = ? AND m.patient >= ? AND (m.patient > ? OR (k.type, k.rid) > (?, ?))"
        " ORDER BY m.patient, k.type, k.rid LIMIT ?",
        (key, start[0], *start, TARGETS),
    )
    at = Sql("r.updated > ? AND r.updated < ?", (window.since, window.before))
    fits = all_of((at, _within(window), *_visible(callers, "Provenance"), condition))
    found: dict[int, Met] = {}
    for batch in batches(sorted({rid for _, _, rid in targets})):
        for rid, seq, deleted in connection.rows(
            "SELECT r.rid, r.seq, r.deleted FROM resource t CROSS JOIN index_reference i"
            " CROSS JOIN resource r"
            f" WHERE t.rid IN ({marks(len(batch))}) AND i.param = {target_number()}"
            " AND i.target_id = t.id AND i.target_type = t.type"
            f" AND r.rid = i.rid AND r.type = 'Provenance' AND {fits.text}",
            (*batch, *fits.params),
        ):
            found[rid] = rid, seq, deleted
    last = targets[-1] if len(targets) == TARGETS else None
    return list(found.values()), None if last is None else (last[0], last[1], last[2])


def _within(window: Window) -> Sql:
    deletions = "" if window.deletions else " AND r.deleted = FALSE"
    return Sql(f"r.seq <= ?{deletions}", (window.seq,))


def _members(connection: Connection) -> str:
    """The members, what lies in their records, and the resources; in this order."""
    join = "CROSS JOIN" if connection.dialect == "sqlite" else "JOIN"
    return f"{_lying(connection)} {join} resource r ON r.rid = k.rid"


def _lying(connection: Connection) -> str:
    if connection.dialect == "sqlite":
        inner = "CROSS JOIN compartment k INDEXED BY compartment_of_patient"
    else:
        inner = "JOIN compartment k"
    return f"export_member m {inner} ON k.patient = m.patient"


def changed_page(
    connection: Connection,
    callers: Sequence[Caller],
    resource_type: str,
    window: Window,
    after: int,
) -> tuple[list[Changed], int | None]:
    """Resources of one type that have a version after the window's last, and were there before."""
    hint = " INDEXED BY version_of_type" if connection.dialect == "sqlite" else ""
    rows = connection.rows(
        f"SELECT v.seq, v.rid FROM version v{hint} WHERE v.type = ? AND v.seq > ?"
        " ORDER BY v.seq LIMIT ?",
        (resource_type, after, CHANGED),
    )
    rids = sorted({rid for _, rid in rows})
    following = rows[-1][0] if len(rows) == CHANGED else None
    found = as_they_were(connection, callers, resource_type, window, rids) if rids else []
    return found, following


def as_they_were(
    connection: Connection,
    callers: Sequence[Caller],
    resource_type: str,
    window: Window,
    rids: Sequence[int],
) -> list[Changed]:
    """These resources as they were at the window's end."""
    seen = all_of([TRUE, *_version_visible(callers, resource_type)])
    rows = connection.rows(
        "SELECT v.rid, v.seq, v.updated, v.method = 'DELETE',"
        f" CASE WHEN {seen.text} THEN 1 ELSE 0 END, r.id,"
        " coalesce(v.body, (SELECT p.body FROM version p WHERE p.rid = v.rid"
        " AND p.vid = v.vid - 1))"
        " FROM resource r JOIN version v ON v.rid = r.rid"
        f" WHERE r.rid IN ({marks(len(rids))}) AND v.vid = (SELECT max(n.vid) FROM version n"
        " WHERE n.rid = r.rid AND n.seq <= ?) ORDER BY v.seq",
        (*seen.params, *rids, window.seq),
    )
    return [
        Changed(rid, seq, updated, bool(deleted), bool(meant), key, body and bytes(body))
        for rid, seq, updated, deleted, meant, key, body in rows
        if window.since < updated < window.before and (window.deletions or not deleted)
    ]


def _visible(callers: Sequence[Caller], resource_type: str) -> list[Sql]:
    found = (visible(caller, "r.rid", LISTED, (resource_type,)) for caller in callers)
    return list(dict.fromkeys(Sql(*condition) for condition in found if condition is not None))


def _version_visible(callers: Sequence[Caller], resource_type: str) -> list[Sql]:
    types = (resource_type,)
    found = (and_version_visible(caller, LISTED, types, judged=True) for caller in callers)
    parts = (Sql(text.removeprefix(" AND "), params) for text, params in found if text)
    return list(dict.fromkeys(parts))
