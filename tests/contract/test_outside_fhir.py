"""What is there beside /fhir: probes, OpenAPI, the first page; and nothing else."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest


@pytest.fixture(scope="module")
def client(live_service: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=live_service) as found:
        yield found


@pytest.mark.parametrize("address", ["/health/live", "/health/ready"])
def test_probes_answer(address: str, client: httpx.Client) -> None:
    answer = client.get(address)
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == "application/json"


def test_openapi_is_there(client: httpx.Client) -> None:
    assert client.get("/docs").status_code == 200
    described = client.get("/openapi.json").json()
    assert "/health/ready" in described["paths"]


@pytest.mark.parametrize(
    "address",
    [
        *("/nothing", "/health", "/fhirs", "/FHIR/Patient", "/fhi", "//fhir/Patient", "/docs/x"),
        *("/health/live/x", "/../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/.env", "/admin"),
        *("/static/../../pyproject.toml", "/redoc", "/fhir.json", "/%00", "/" + "a" * 8000),
    ],
    ids=lambda address: address[:30],
)
def test_nothing_else_is_there(address: str, client: httpx.Client) -> None:
    for method in ("GET", "POST", "DELETE"):
        answer = client.request(method, address)
        assert answer.status_code in (404, 405), method
        assert answer.json()["resourceType"] == "OperationOutcome"
        assert "Traceback" not in answer.text


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize("address", ["/health/live", "/openapi.json", "/docs"])
def test_only_reading_is_offered(method: str, address: str, client: httpx.Client) -> None:
    answer = client.request(method, address)
    assert answer.status_code == 405
    assert "GET" in answer.headers["Allow"]
    assert answer.json()["issue"][0]["code"] == "not-supported"
