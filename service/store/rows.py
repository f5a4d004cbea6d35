"""What does the store hand out? One version of one resource, with the bytes that are served."""

from __future__ import annotations

from typing import NamedTuple


class Stored(NamedTuple):
    """A version: `updated` in microseconds since 1970 (UTC); `body` is None for a deletion."""

    type: str
    id: str
    vid: int
    updated: int
    deleted: bool
    body: bytes | None
    rid: int
    seq: int
    method: str

    @property
    def reference(self) -> str:
        """`Type/id`."""
        return f"{self.type}/{self.id}"


COLUMNS = "r.type, r.id, v.vid, v.updated, v.method = 'DELETE', v.body, v.rid, v.seq, v.method"
"""The columns of `Stored`, from `resource r` and `version v`."""
