"""How does a test keep something in a store, without HTTP?"""

from __future__ import annotations

from typing import Any

from service.caller import ANONYMOUS, Caller
from service.store.current import numbered_version
from service.store.rows import Stored
from service.store.store import Store, present

BASE = "http://store.example/fhir"


def put(store: Store, resource: dict[str, Any], caller: Caller = ANONYMOUS) -> Stored:
    """The next version of this resource under its own id."""
    with store.write(caller) as unit:
        current = unit.current(resource["resourceType"], resource["id"])
        return unit.append(resource, resource["id"], BASE, method="PUT", current=current)


def delete(store: Store, kind: str, key: str, caller: Caller = ANONYMOUS) -> Stored:
    """The deletion of a resource that is there."""
    with store.write(caller) as unit:
        current = unit.current(kind, key)
        assert current is not None
        return unit.delete(current)


def read_version(store: Store, caller: Caller, kind: str, key: str, vid: int) -> Stored:
    """Version `vid`. Raises NotFound, or Gone where that version is the deletion."""
    with store.reader() as connection:
        found = numbered_version(connection, caller, kind, key, vid)
    return present(found, f"{kind}/{key}/_history/{vid}")
