"""What is in the files of an export? The numbers (`seq`) of the versions they hold.

The bytes stay where they are: a version never changes. Eight bytes a resource, differences
packed: a million resources take less than two megabytes.
"""

from __future__ import annotations

import zlib
from array import array
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, chain
from operator import sub
from typing import Literal

from service.store.connection import Connection

Kind = Literal["output", "deleted", "error"]


@dataclass(frozen=True, slots=True)
class ExportFile:
    """A file: its kind, the resource type, how many lines it has, which versions; see `unpack`."""

    kind: Kind
    type: str
    count: int
    packed: bytes
    number: int = 0

    @property
    def name(self) -> str:
        """What it is called in its address."""
        told = "deleted" if self.kind == "deleted" else self.type
        return f"{self.number}.{told}.ndjson"


def pack(seqs: Sequence[int]) -> bytes:
    """Numbers in growing order as their differences, compressed."""
    steps = array("q", [*seqs[:1], *map(sub, seqs[1:], seqs)])
    return zlib.compress(steps.tobytes(), 1)


def unpack(packed: bytes) -> array[int]:
    """The numbers again."""
    steps: array[int] = array("q")
    steps.frombytes(zlib.decompress(packed))
    return array("q", accumulate(steps))


def list_files(connection: Connection, key: str) -> list[ExportFile]:
    """The files of an export, without what is in them."""
    rows = connection.rows(
        "SELECT kind, type, count, number FROM export_file WHERE export = ? ORDER BY number",
        (key,),
    )
    return [ExportFile(kind, type_, count, b"", number) for kind, type_, count, number in rows]


def find_file(connection: Connection, key: str, number: int) -> ExportFile | None:
    """One file with what is in it."""
    row = connection.row(
        "SELECT kind, type, count, seqs, number FROM export_file WHERE export = ? AND number = ?",
        (key, number),
    )
    return None if row is None else ExportFile(row[0], row[1], row[2], bytes(row[3]), row[4])


class Listed:
    """Which versions of each type are in files of an export already; read once, then kept up."""

    def __init__(self, connection: Connection, key: str) -> None:
        self._connection = connection
        self._key = key
        self._kept: dict[str, list[array[int]]] = {}
        self._new: dict[str, list[array[int]]] = defaultdict(list)

    def add(self, resource_type: str, seqs: Iterable[int]) -> None:
        """These will be in a file, too."""
        self._new[resource_type].append(array("q", sorted(seqs)))

    def holds(self, resource_type: str, seq: int) -> bool:
        """Whether this version of that type is in one."""
        if resource_type not in self._kept:
            rows = self._connection.rows(
                "SELECT seqs FROM export_file WHERE export = ? AND type = ?"
                " AND kind IN ('output', 'deleted')",
                (self._key, resource_type),
            )
            self._kept[resource_type] = [unpack(bytes(row[0])) for row in rows]
        files = chain(self._kept[resource_type], self._new[resource_type])
        return any(_has(seqs, seq) for seqs in files)


def _has(seqs: array[int], seq: int) -> bool:
    place = bisect_left(seqs, seq)
    return place < len(seqs) and seqs[place] == seq
