"""The gate with people: the bearer header first, else the cookie; settings that cannot be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.access.opening import Access, checked_networks, opened_access
from service.access.people import Asked
from service.errors import Forbidden, NotAuthenticated
from service.store.store import Store
from tests.access.integrators import SETTINGS, Clock, Integrator
from tests.access.visitors import PASSPHRASE, added

OWN = {"sec-fetch-site": "same-origin"}
WRITES = ("create", "update", "patch", "delete", "transaction", "operation", "unknown", "intake")


@pytest.fixture
def opened(store: Store) -> Access:
    return opened_access(store.database, SETTINGS)


@pytest.fixture
def cookie(store: Store, opened: Access) -> dict[str, str]:
    added(store.database)
    token = opened.sign_in.people.with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    return {"cookie": f"__Host-hyoid={token}"}


def test_the_cookie_lets_in(opened: Access, cookie: dict[str, str]) -> None:
    assert opened.gate.admit("read", cookie, "GET").name == "robin"
    for interaction in WRITES:
        assert opened.gate.admit(interaction, cookie | OWN, "POST").kind == "person"
        with pytest.raises(Forbidden):
            opened.gate.admit(interaction, cookie, "POST")
        # Who does not say by which method asks as strictly.
        with pytest.raises(Forbidden):
            opened.gate.admit(interaction, cookie)


def test_the_bearer_header_comes_first(
    store: Store, opened: Access, cookie: dict[str, str], lakeside: Integrator
) -> None:
    system = opened.systems.token(lakeside.form(opened.systems.clock()))["access_token"]
    header = {"authorization": f"Bearer {system}"}
    assert opened.gate.admit("create", cookie | header, "POST").name == "lakeside"
    for wrong in ("Bearer x", "Bearer", "Basic YTpi", ""):
        with pytest.raises(NotAuthenticated):
            opened.gate.admit("read", cookie | {"authorization": wrong}, "GET")


def test_it_says_whether_it_waits(opened: Access, cookie: dict[str, str]) -> None:
    assert not opened.gate.is_quick("read", cookie)
    opened.gate.admit("read", cookie, "GET")
    assert opened.gate.is_quick("read", cookie)
    assert opened.gate.is_quick("read", {"cookie": "other=x"})


@pytest.mark.parametrize(
    "changed",
    [
        {"session_idle_minutes": 0},
        {"session_hours": 0},
        {"session_hours": 1000},
        {"oidc_issuer": "http://id.example"},
        {"oidc_issuer": "https://id.example"},
        {"oidc_issuer": "https://id.example", "oidc_client_id": "h"},
        {"oidc_issuer": "https://id.example", "oidc_client_id": "h", "oidc_people": "/no/file"},
    ],
)
def test_settings_that_cannot_be(changed: dict[str, Any], clock: Clock, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="HYOID_"):
        checked_networks(replace(SETTINGS, **changed))
