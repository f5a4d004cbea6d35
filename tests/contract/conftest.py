"""Services to be hostile to, and the fingerprint of what one of them has stored."""

from __future__ import annotations

from collections.abc import Callable

import httpx
import pytest

from tests.factories.clinical import care_plan, observation, patient
from tests.rest.conftest import fhir, service_url
from tests.store.searching.conftest import module_database_url, module_store

__all__ = ["fhir", "module_database_url", "module_store", "service_url"]


@pytest.fixture
def last_change(fhir: httpx.Client) -> Callable[[], bytes]:
    """The newest entry of the history of everything: another one after anything was stored."""
    return lambda: fhir.get("_history?_count=1").raise_for_status().content


@pytest.fixture(scope="session")
def stored(fhir: httpx.Client) -> None:
    """What the tables speak of: resources `there`, `gone`, and two with one identifier."""
    for resource in (patient("there"), patient("gone"), observation("there"), care_plan("there")):
        address = f"{resource['resourceType']}/{resource['id']}"
        fhir.put(address, json=resource).raise_for_status()
    fhir.delete("Patient/gone").raise_for_status()
    twin = [{"system": "https://clinic.example/twins", "value": "t"}]
    for _ in range(2):
        fhir.post("Patient", json=patient(identifier=twin)).raise_for_status()
    fhir.post("Patient", json=patient(identifier=[{"value": "the-one"}])).raise_for_status()
