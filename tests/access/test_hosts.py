"""The service answers to its own names: without HYOID_BASE_URL those of loopback, whoever asks."""

from __future__ import annotations

import pytest

from service.access.hosts import Names, is_loopback_host
from service.errors import Forbidden
from service.settings import Access, Settings


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        ("127.0.0.1:8000", True),
        ("127.8.9.1", True),
        ("localhost:8000", True),
        ("[::1]:8000", True),
        ("clinic.example:8000", False),
        ("127.0.0.1.clinic.example", False),
        ("192.168.0.1:8000", False),
        ("[::1", False),
        ("", False),
    ],
)
def test_names_of_loopback(host: str, loopback: bool) -> None:
    assert is_loopback_host(host) is loopback


@pytest.mark.parametrize(
    ("access", "base_url", "host", "answers"),
    [
        ("open", "", "127.0.0.1:8000", True),
        ("open", "", "records.example", False),
        ("open", "", "", False),
        ("open", "https://records.example:8443/fhir", "127.0.0.1", True),
        ("open", "https://records.example:8443/fhir", "records.example", True),
        ("open", "https://records.example:8443/fhir", "elsewhere.example", False),
        ("open", "https://records.example/fhir", "", False),
        ("smart", "", "localhost:8000", True),
        ("smart", "", "records.example", False),
        ("smart", "", "localhost, records.example", False),
        # Links and tokens are for the base URL, whatever a proxy puts into Host.
        ("smart", "https://records.example/fhir", "inside:8000", True),
    ],
)
def test_names_of_the_service(access: Access, base_url: str, host: str, answers: bool) -> None:
    names = Names(Settings(access=access, base_url=base_url))
    headers = [(b"accept", b"*/*"), *((b"host", each.encode()) for each in host.split(", "))]
    if answers:
        names.require(headers)
        return
    with pytest.raises(Forbidden) as refused:
        names.require(headers)
    assert refused.value.issues[0].location == "http.Host"
