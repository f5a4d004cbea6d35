"""Do the tables of a store agree with one another and with the stored bytes?

Everything is worked out again from the bytes: the search rows and the compartments by
`extract`, the current version, the deletions and the change clock from the versions. For use
after a crash, and after any other test that wrote.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any

from service.standard.codec import decode_resource
from service.standard.meta import instant, unstamped
from service.standard.search_values import SearchValues, extract
from service.store.connection import Connection
from service.store.rows_of_deleted import values_of_deleted

SEARCH_ROWS = {
    "index_token": ("tokens", "param, system, code, grp"),
    "index_reference": ("references", "param, target_type, target_id, grp"),
    "index_date": ("dates", "param, low, high, grp"),
    "index_quantity": (
        "quantities",
        "param, low, high, unit_system, unit_code, unit, grp, base_low, base_high, base_unit",
    ),
    "index_string": ("strings", "param, folded, exact, grp"),
    "index_uri": ("uris", "param, value, grp"),
    "index_dated_code": ("dated", "param, code, at"),
}

Row = tuple[Any, ...]


class _Kept:
    """One resource as its rows in `resource` and `version` say."""

    def __init__(self, row: Row, versions: list[Row]) -> None:
        self.rid, self.type, self.id, self.vid, self.seq, self.updated, deleted = row
        self.deleted = bool(deleted)
        self.versions = versions
        self.name = f"{self.type}/{self.id}"

    def values(self, base: str) -> SearchValues:
        """What the search tables must hold: of a deleted one only what says who sees it."""
        body = next(body for *_, body in reversed(self.versions) if body is not None)
        found = extract(unstamped(decode_resource(bytes(body))), f"{base}/")
        return values_of_deleted(found) if self.deleted else found


def disagreements(connection: Connection, base: str) -> list[str]:
    """Everything that does not fit, in words; empty where all is well.

    `base` is the FHIR base URL under which the resources were written. The connection should be
    a snapshot while others write.
    """
    resources = _resources(connection)
    return [
        *_order(connection),
        *(text for kept in resources for text in _history(kept)),
        *_search_tables(connection, resources, base),
    ]


def _resources(connection: Connection) -> list[_Kept]:
    versions: dict[int, list[Row]] = defaultdict(list)
    for rid, *version in connection.rows(
        "SELECT rid, seq, vid, type, method, updated, body FROM version ORDER BY rid, vid"
    ):
        versions[rid].append(tuple(version))
    rows = connection.rows(
        "SELECT rid, type, id, vid, seq, updated, deleted FROM resource ORDER BY rid"
    )
    found = [_Kept(row, versions.pop(row[0], [])) for row in rows]
    assert not versions, f"versions of no resource: {sorted(versions)}"
    return found


def _order(connection: Connection) -> Iterator[str]:
    """`seq` counts without a gap, `updated` follows it, and the clock shows the last of all."""
    last, last_updated = 0, 0
    for seq, updated in connection.rows("SELECT seq, updated FROM version ORDER BY seq"):
        if seq != last + 1:
            yield f"after seq {last} comes {seq}"
        if updated < last_updated:
            yield f"seq {seq} is older than the one before"
        last, last_updated = seq, updated
    rid = connection.rows("SELECT coalesce(max(rid), 0) FROM resource")[0][0]
    clock = connection.rows("SELECT id, seq, rid, updated FROM change_clock")
    if clock != [(1, last, rid, last_updated)]:
        yield f"the clock shows {clock}, not {(1, last, rid, last_updated)}"


def _history(kept: _Kept) -> Iterator[str]:
    """The versions of one resource, and that it points to the last of them."""
    if [vid for _, vid, *_ in kept.versions] != list(range(1, len(kept.versions) + 1)):
        yield f"{kept.name} has the versions {[vid for _, vid, *_ in kept.versions]}"
        return
    seqs = [seq for seq, *_ in kept.versions]
    if seqs != sorted(seqs):
        yield f"{kept.name}: versions out of order"
    seq, vid, _, method, updated, _ = kept.versions[-1]
    if (kept.seq, kept.vid, kept.updated) != (seq, vid, updated):
        yield f"{kept.name} does not point to its last version"
    if kept.deleted != (method == "DELETE"):
        yield f"{kept.name} is deleted, or is not"
    for _, vid, kind, method, updated, body in kept.versions:
        if (body is None) != (method == "DELETE") or kind != kept.type:
            yield f"{kept.name} version {vid} is a {method} of {kind}"
        elif body is not None:
            yield from _body(kept, vid, updated, decode_resource(bytes(body)))


def _body(kept: _Kept, vid: int, updated: int, resource: dict[str, Any]) -> Iterator[str]:
    meta = resource.get("meta", {})
    told = (resource["resourceType"], resource.get("id"), meta.get("versionId"))
    if told != (kept.type, kept.id, str(vid)) or meta.get("lastUpdated") != instant(updated):
        yield f"{kept.name} version {vid} says of itself {told}, {meta}"


def _search_tables(connection: Connection, resources: list[_Kept], base: str) -> Iterator[str]:
    extracted = {kept.rid: kept.values(base) for kept in resources}
    names = {kept.rid: kept.name for kept in resources}
    for table, (name, columns) in SEARCH_ROWS.items():
        expected = Counter(
            (rid, *row) for rid, values in extracted.items() for row in getattr(values, name)
        )
        rows = connection.rows(f"SELECT rid, {columns} FROM {table}")
        yield from _differences(table, names, expected, Counter(rows))
    expected = Counter(
        (kept.rid, patient, kept.type)
        for kept in resources
        for patient in extracted[kept.rid].patients or [""]
    )
    rows = connection.rows("SELECT rid, patient, type FROM compartment")
    yield from _differences("compartment", names, expected, Counter(rows))


def _differences(
    table: str, names: dict[int, str], expected: Counter[Row], found: Counter[Row]
) -> Iterator[str]:
    for row in expected - found:
        yield f"{table} lacks {row} of {names[row[0]]}"
    for row in found - expected:
        yield f"{table} has {row} of {names.get(row[0], 'no resource')}"
