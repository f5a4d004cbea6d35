"""A case with a plan, and the document about it."""

from __future__ import annotations

import httpx
import pytest

from tests.factories.care import case, neighbour
from tests.rest.document.asking import Resource, write
from tests.rest.putting import put_all


@pytest.fixture
def plan(fhir: httpx.Client, name: str) -> str:
    """The id of a plan with a whole case around it, and a neighbour who is none of its business."""
    put_all(fhir, list(case(name)))
    put_all(fhir, list(neighbour(name)))
    return name


@pytest.fixture
def document(fhir: httpx.Client, plan: str) -> Resource:
    answer = write(fhir, plan)
    assert answer.status_code == 201, answer.text[:2000]
    found: Resource = answer.json()
    return found
