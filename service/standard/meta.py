"""What does the service set on every version? id, meta.versionId and meta.lastUpdated.

R4 (http://hl7.org/fhir/R4/resource.html#Meta): the server sets the two; the rest of meta is the
client's.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from typing import Any


def stamped(resource: dict[str, Any], resource_id: str, vid: int, updated: int) -> dict[str, Any]:
    """A copy with id and meta set; the other elements keep their order.

    `updated` in microseconds since 1970 (UTC).
    """
    meta = {"versionId": str(vid), "lastUpdated": instant(updated)}
    meta |= {key: value for key, value in resource.get("meta", {}).items() if key not in meta}
    head = {"resourceType": resource["resourceType"], "id": resource_id, "meta": meta}
    return head | {key: value for key, value in resource.items() if key not in head}


def unstamped(resource: dict[str, Any]) -> dict[str, Any]:
    """A copy without what `stamped` sets, but for the id."""
    meta = {
        key: value
        for key, value in resource.get("meta", {}).items()
        if key not in ("versionId", "lastUpdated")
    }
    bare = {key: value for key, value in resource.items() if key != "meta"}
    return bare | {"meta": meta} if meta else bare


@lru_cache(maxsize=256)
def instant(microseconds: int) -> str:
    """FHIR instant in UTC with the full precision, for instance 2026-05-04T09:00:00.000250Z."""
    moment = datetime.fromtimestamp(microseconds // 1_000_000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{microseconds % 1_000_000:06d}Z"
