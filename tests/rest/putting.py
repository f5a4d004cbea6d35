"""How does a test get resources into a live service? All of them in one transaction."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import httpx


def put_all(fhir: httpx.Client, resources: Iterable[dict[str, Any]]) -> None:
    """Put each under its own id."""
    entries = [
        {
            "resource": resource,
            "request": {"method": "PUT", "url": f"{resource['resourceType']}/{resource['id']}"},
        }
        for resource in resources
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 200, answer.text[:2000]
