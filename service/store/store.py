"""What can be asked of the store as a whole? Each answer is one of the files beside this one."""

from __future__ import annotations

import time
from contextlib import AbstractContextManager

from service.caller import Caller
from service.errors import Gone, NotFound
from service.store.connection import Connection
from service.store.current import current_version
from service.store.engine import Database
from service.store.rows import Stored
from service.store.unit import Unit, unit_of_work


class Store:
    """The stored resources of one database, seen by a caller."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def reader(
        self, *, snapshot: bool = False, seconds: float | None = None, room: int | None = None
    ) -> AbstractContextManager[Connection]:
        """A connection for searches and histories."""
        return self.database.reader(snapshot=snapshot, seconds=seconds, room=room)

    def write(self, caller: Caller) -> AbstractContextManager[Unit]:
        """A unit of work: commits when the block ends well, else leaves nothing."""
        return unit_of_work(self.database, caller, _now)

    def read(self, caller: Caller, resource_type: str, resource_id: str) -> Stored:
        """The current version. Raises NotFound, or Gone after a deletion."""
        with self.database.reader() as connection:
            stored = current_version(connection, caller, resource_type, resource_id)
        return present(stored, f"{resource_type}/{resource_id}")


def _now() -> int:
    return time.time_ns() // 1000


def present(stored: Stored | None, name: str) -> Stored:
    """The version itself. Raises NotFound where there is none, Gone where it is a deletion."""
    if stored is None:
        raise NotFound(f"There is no {name}")
    if stored.deleted:
        raise Gone(f"{name} was deleted", headers={"ETag": f'W/"{stored.vid}"'})
    return stored
