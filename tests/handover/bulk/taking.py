"""How does a test take an export out of a store, without HTTP?"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from service.caller import ANONYMOUS, Caller
from service.handover.bulk.lines import lines_of
from service.handover.bulk.listing import list_on
from service.handover.bulk.request import BulkRequest, types_of
from service.standard.registry import RESOURCE_TYPES
from service.store.export_files import ExportFile, find_file, list_files
from service.store.exports import Export, ExportLimits, find_export, open_export
from service.store.store import Store

BASE = "http://store.example/fhir"
LIMITS = ExportLimits(running=100, kept=1000, life=3600 * 1_000_000)
OWNER = "system test"


def now() -> int:
    return time.time_ns() // 1000


def request(level: Any = "system", types: tuple[str, ...] = (), **more: Any) -> BulkRequest:
    """A request for these types, or for all that an export of that level holds."""
    all_types = types_of(level, types, RESOURCE_TYPES)
    made = BulkRequest(f"{BASE}/$export", BASE, level, all_types, ANONYMOUS)
    return replace(made, **more)


def opened(store: Store, asked: BulkRequest, members: Iterable[str] = ()) -> Export:
    return open_export(store.database, OWNER, asked.to_text(), members, LIMITS, now)


def listed(
    store: Store,
    asked: BulkRequest,
    export: Export,
    *,
    caller: Caller = ANONYMOUS,
    seconds: float = 1.0,
    file_size: int = 1000,
) -> Export:
    """Go on until the export is done."""
    while not export.done:
        after = list_on(
            store, caller, export, asked, seconds=seconds, file_size=file_size, clock=now
        )
        if after is None:
            with store.reader() as connection:
                after = find_export(connection, OWNER, export.id, now())
            assert after is not None
        export = after
    return export


@dataclass
class Taken:
    """Versions as (type, id, versionId) in order, and `Type/id` of deletions."""

    updated: int
    versions: list[tuple[str, str, int]] = field(default_factory=list)
    deleted: list[str] = field(default_factory=list)
    resources: dict[str, Any] = field(default_factory=dict)

    @property
    def names(self) -> set[str]:
        """`Type/id` of all resources."""
        return set(self.resources)


def files_of(store: Store, export: Export) -> list[ExportFile]:
    with store.reader() as connection:
        files = [
            find_file(connection, export.id, f.number) for f in list_files(connection, export.id)
        ]
    return [file for file in files if file is not None]


def fetched(store: Store, asked: BulkRequest, export: Export, caller: Caller = ANONYMOUS) -> Taken:
    """What is in the files of a finished export; none may be there twice."""
    taken = Taken(export.updated)
    for file in files_of(store, export):
        raw = b"".join(lines_of(store, caller, asked, file, BASE))
        rows = [json.loads(line) for line in raw.splitlines()]
        assert len(rows) == file.count
        for row in rows:
            if file.kind == "deleted":
                taken.deleted += [entry["request"]["url"] for entry in row["entry"]]
                continue
            name = f"{row['resourceType']}/{row['id']}"
            assert name not in taken.resources, f"{name} came twice"
            taken.resources[name] = row
            version = int(row["meta"]["versionId"])
            taken.versions.append((row["resourceType"], row["id"], version))
    return taken


def take(
    store: Store,
    asked: BulkRequest,
    members: Iterable[str] = (),
    *,
    caller: Caller = ANONYMOUS,
    **more: Any,
) -> Taken:
    """A whole export from the kick-off to the last file."""
    export = listed(store, asked, opened(store, asked, members), caller=caller, **more)
    return fetched(store, asked, export, caller)
