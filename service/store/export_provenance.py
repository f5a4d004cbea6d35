"""What are these Provenance resources about, and which is the last about it?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from service.store.connection import Connection
from service.store.export_conditions import target_number
from service.store.sql import batches, marks

Target = tuple[str, str]


def targets_by_rid(connection: Connection, rids: Sequence[int]) -> dict[int, set[Target]]:
    """(type, id) of the targets of each of them, as they are now."""
    found: dict[int, set[Target]] = defaultdict(set)
    for batch in batches(rids):
        rows = connection.rows(
            "SELECT rid, target_type, target_id FROM index_reference"
            f" WHERE rid IN ({marks(len(batch))}) AND param = {target_number()}"
            " AND target_type <> ''",
            batch,
        )
        for rid, kind, key in rows:
            found[rid].add((kind, key))
    return found


def newest_number(connection: Connection, target: Target, seq: int) -> int | None:
    """The number of the newest version of a resource up to `seq`."""
    row = connection.row(
        "SELECT v.seq FROM resource r JOIN version v ON v.rid = r.rid"
        " WHERE r.type = ? AND r.id = ? AND v.vid = (SELECT max(n.vid) FROM version n"
        " WHERE n.rid = r.rid AND n.seq <= ?)",
        (*target, seq),
    )
    return None if row is None else int(row[0])


def last_about(connection: Connection, target: Target, seq: int) -> int | None:
    """The number of the Provenance about the target that was written last, up to `seq`."""
    row = connection.row(
        "SELECT max(r.seq) FROM index_reference i JOIN resource r ON r.rid = i.rid"
        f" WHERE i.param = {target_number()} AND i.target_type = ? AND i.target_id = ?"
        " AND r.type = 'Provenance' AND r.seq <= ?",
        (*target, seq),
    )
    return None if row is None or row[0] is None else int(row[0])
