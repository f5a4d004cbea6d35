"""What does the manifest of a finished export say? Bulk Data Access 3.0.0, output manifest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.handover.bulk.request import BulkRequest
from service.standard.meta import instant
from service.store.export_files import ExportFile
from service.store.exports import Export


def manifest_of(
    export: Export, request: BulkRequest, files: Sequence[ExportFile], address: str, guarded: bool
) -> dict[str, Any]:
    """The manifest; files lie below `address`, and need an access token where `guarded`."""
    listed: dict[str, list[dict[str, Any]]] = {"output": [], "deleted": [], "error": []}
    for file in files:
        listed[file.kind].append(
            {
                "type": "Bundle" if file.kind == "deleted" else file.type,
                "url": f"{address}/{export.id}/{file.name}",
                "count": file.count,
            }
        )
    return {
        "transactionTime": instant(export.updated),
        "request": request.url,
        "requiresAccessToken": guarded,
        **listed,
    }
