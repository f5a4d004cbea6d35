"""Where the doors of access control are, for a base URL that was set and for none."""

from __future__ import annotations

import pytest

from service.access.addresses import addresses_of
from service.settings import Settings


@pytest.mark.parametrize(
    ("settings", "fhir", "access"),
    [
        (Settings(), "http://127.0.0.1:8000/fhir", "http://127.0.0.1:8000/access"),
        (Settings(host="::1", port=1), "http://[::1]:1/fhir", "http://[::1]:1/access"),
        (Settings(host="0.0.0.0"), "http://127.0.0.1:8000/fhir", "http://127.0.0.1:8000/access"),
        (
            Settings(base_url="https://a.example/fhir/"),
            "https://a.example/fhir",
            "https://a.example/access",
        ),
        (
            Settings(base_url="https://a.example/clinic/r4"),
            "https://a.example/clinic/r4",
            "https://a.example/clinic/access",
        ),
        (Settings(base_url="https://a.example"), "https://a.example", "https://a.example/access"),
    ],
)
def test_addresses(settings: Settings, fhir: str, access: str) -> None:
    found = addresses_of(settings)
    assert found.fhir == fhir
    assert {found.token, found.introspection, found.revocation, found.keys} == {
        f"{access}/{name}" for name in ("token", "introspect", "revoke", "jwks")
    }
