"""Which versions go into the files of an export? Listed in steps of bounded time.

Whoever is polled goes on where the last step ended: that is kept with what was found, in one
transaction. A step that is lost is done again, and of two at once one counts.
"""

from __future__ import annotations

import json
import time
from collections import defaultdict
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from functools import cached_property
from typing import Any

from service.caller import Caller
from service.handover.bulk.changed import targets_of, was_allowed, was_part
from service.handover.bulk.filters import filters_by_type
from service.handover.bulk.parts import PROVENANCE, Filters, Part, condition_of, parts_of
from service.handover.bulk.request import BulkRequest
from service.standard.terminology.for_search import Expander
from service.store.connection import Connection
from service.store.export_conditions import Scratch
from service.store.export_files import ExportFile, Kind, Listed, pack
from service.store.export_provenance import Target, last_about, newest_number, targets_by_rid
from service.store.export_walk import (
    Changed,
    Met,
    Window,
    about_page,
    as_they_were,
    changed_page,
    record_page,
    settled_page,
)
from service.store.exports import Export, keep_progress
from service.store.store import Store
from service.terminology.stored import StoredLibrary

MOST = 100_000
"""Resources that a step keeps in mind before it ends."""

DELETIONS = 100
"""Deletions in one line of a file."""

_BEGINNING = -(2**62)


def list_on(
    store: Store,
    caller: Caller,
    export: Export,
    request: BulkRequest,
    *,
    seconds: float,
    file_size: int,
    clock: Callable[[], int],
) -> Export | None:
    """Go on listing for about so many seconds, a page at least, and keep what was found.

    It may end sooner, so that it takes no more memory the more there is. Gives the export as it is
    then; None where another process was there first, or it is gone. `file_size` is how many
    resources a file may hold.
    """
    end = time.monotonic() + seconds
    with (
        store.reader() as connection,
        closing(_Step(connection, caller, export, request, file_size)) as step,
    ):
        while not step.done:
            step.take_page()
            if step.found >= MOST or time.monotonic() > end:
                break
    files = step.files()
    after = replace(export, part=step.part, place=step.place, done=step.done)
    return after if keep_progress(store.database, export, after, files, clock()) else None


class _Step:
    """What is met from one place of an export on."""

    def __init__(
        self,
        connection: Connection,
        caller: Caller,
        export: Export,
        request: BulkRequest,
        file_size: int,
    ) -> None:
        self.part, self.place = export.part, export.place
        self._parts = parts_of(request)
        self._connection = connection
        self._caller = caller
        self._callers = (request.by, caller)
        self._export = export
        self._request = request
        self._size = file_size
        self._listed = Listed(connection, export.id)
        self._found: dict[tuple[Kind, str], list[int]] = defaultdict(list)

    @property
    def found(self) -> int:
        """How many resources were found."""
        return sum(map(len, self._found.values()))

    def close(self) -> None:
        """Give back what only this step needed."""
        if "_scratch" in vars(self):
            self._scratch.close()

    @property
    def done(self) -> bool:
        """Whether every part was gone through."""
        return self.part >= len(self._parts)

    def take_page(self) -> None:
        """One page of the present part."""
        part = self._parts[self.part]
        after = json.loads(self.place) if self.place else None
        if part.walk == "changed":
            self._take_changed(part, after)
        else:
            self._take_settled(part, after)

    def files(self) -> list[ExportFile]:
        """What was found, divided; and what was ignored, at the end."""
        made: list[ExportFile] = []
        for (kind, type_), seqs in self._found.items():
            seqs.sort()
            for start in range(0, len(seqs), self._size):
                piece = seqs[start : start + self._size]
                lines = len(piece) if kind == "output" else -(-len(piece) // DELETIONS)
                made.append(ExportFile(kind, type_, lines, pack(piece)))
        ignored = self._request.ignored
        if self.done and ignored:
            made.append(ExportFile("error", "OperationOutcome", len(ignored), b""))
        return made

    @cached_property
    def _scratch(self) -> Scratch:
        return Scratch()

    @cached_property
    def _filters(self) -> Filters:
        request = self._request
        expander = Expander(StoredLibrary(self._connection, self._caller))
        return filters_by_type(request.filters, request.base, self._export.updated, expander)

    def _window(self, part: Part) -> Window:
        """Provenance that goes with what is exported may be older than that."""
        last = self._export.updated + 1
        if part.associated:
            return Window(self._export.seq, _BEGINNING, last, False)
        since, until = self._request.since, self._request.until
        return Window(
            self._export.seq,
            _BEGINNING if since is None else since,
            last if until is None else min(until, last),
            since is not None,
        )

    def _go_on(self, after: object | None) -> None:
        if after is None:
            self.part, self.place = self.part + 1, ""
        else:
            self.place = json.dumps(after)

    def _take_settled(self, part: Part, after: list[Any] | None) -> None:
        connection, request, key = self._connection, self._request, self._export.id
        window = self._window(part)
        condition = condition_of(
            request, key, part, self._filters, self._caller, connection.dialect
        )
        met: list[Met]
        following: tuple[object, ...] | None
        if part.walk == "record":
            start = None if after is None else (after[0], after[1])
            met, following = record_page(
                connection, self._callers, key, part.type, window, condition, start
            )
        elif part.walk == "about":
            whence = None if after is None else (after[0], after[1], after[2])
            met, following = about_page(connection, self._callers, key, window, condition, whence)
            met = [each for each in met if not self._listed.holds(part.type, each[1])]
        else:
            place = None if after is None else (after[0], after[1])
            met, following = settled_page(
                connection, self._callers, part.type, window, condition, place
            )
        if part.associated:
            met = self._with_listed(met)
        elif part.type == PROVENANCE and request.level != "system":
            met = self._still_part(part, window, met)
        self._list(part.type, met)
        self._go_on(following)

    def _take_changed(self, part: Part, after: int | None) -> None:
        window = self._window(part)
        start = self._export.seq if after is None else after
        page, following = changed_page(self._connection, self._callers, part.type, window, start)
        found = [
            each
            for each in page
            if each.visible
            and not self._listed.holds(part.type, each.seq)
            and self._was(part, each)
        ]
        self._list(part.type, [(each.rid, each.seq, each.deleted) for each in found])
        self._go_on(following)

    def _was(self, part: Part, then: Changed) -> bool:
        base = self._request.base
        if not was_allowed(self._callers, base, then, part.type, self._scratch):
            return False
        if part.associated:
            return any(self._is_listed(target) for target in targets_of(self._request, then))
        request, key = self._request, self._export.id
        filters, scratch = self._filters, self._scratch
        return was_part(self._connection, request, key, part, filters, self._caller, then, scratch)

    def _still_part(self, part: Part, window: Window, met: list[Met]) -> list[Met]:
        """Without deleted Provenance that was about something else."""
        gone = [rid for rid, _, is_deletion in met if is_deletion]
        if not gone:
            return met
        told = as_they_were(self._connection, self._callers, part.type, window, gone)
        kept = {each.rid for each in told if each.visible and self._was(part, each)}
        return [each for each in met if not each[2] or each[0] in kept]

    def _with_listed(self, met: list[Met]) -> list[Met]:
        """Provenance about something that is listed; `latest`: only the last about it."""
        targets = targets_by_rid(self._connection, [rid for rid, _, _ in met])
        return [
            (rid, seq, is_deletion)
            for rid, seq, is_deletion in met
            if any(self._goes_with(seq, target) for target in targets[rid])
        ]

    def _goes_with(self, seq: int, target: Target) -> bool:
        if not self._is_listed(target):
            return False
        if self._request.associated == "relevant":
            return True
        return last_about(self._connection, target, self._export.seq) == seq

    def _is_listed(self, target: Target) -> bool:
        seq = newest_number(self._connection, target, self._export.seq)
        return seq is not None and self._listed.holds(target[0], seq)

    def _list(self, resource_type: str, met: list[Met]) -> None:
        alive = [seq for _, seq, is_deletion in met if not is_deletion]
        self._found["output", resource_type] += alive
        if len(alive) < len(met):
            gone = [seq for _, seq, is_deletion in met if is_deletion]
            self._found["deleted", resource_type] += gone
        self._listed.add(resource_type, [seq for _, seq, _ in met])
