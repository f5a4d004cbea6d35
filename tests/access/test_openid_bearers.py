"""Access tokens of the identity provider at the API (RFC 9068, section 4)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from joserfc.jwk import RSAKey

from service.access.fetching import LIFETIME
from service.access.gate import SmartGate
from service.access.openid_bearers import OpenIdBearers
from service.access.openid_provider import FLOOR
from service.access.opening import Access, opened_access
from service.caller import Caller
from service.errors import NotAuthenticated, Unavailable
from service.settings import Settings
from service.store.people import disable_person
from service.store.store import Store
from tests.access.identity_provider import CLIENT, IdentityProvider
from tests.access.integrators import BASE, KEY_FILE, Clock
from tests.access.test_openid import PEOPLE, ROBIN
from tests.store.keeping import put


@pytest.fixture
def provider(clock: Clock) -> Iterator[IdentityProvider]:
    provider = IdentityProvider(clock)
    yield provider
    provider.close()


@pytest.fixture
def gate(store: Store, provider: IdentityProvider, clock: Clock, tmp_path: Path) -> SmartGate:
    put(store, ROBIN)
    file = tmp_path / "people.json"
    file.write_text(json.dumps(PEOPLE))
    settings = Settings(
        base_url=BASE,
        key_file=KEY_FILE,
        oidc_issuer=provider.issuer,
        oidc_client_id=CLIENT,
        oidc_people=str(file),
    )
    access: Access = opened_access(store.database, settings)
    openid = access.sign_in.openid
    assert openid is not None
    openid.provider._ticks = clock
    elsewhere = OpenIdBearers(openid.provider, openid.people, BASE, clock, clock)
    return SmartGate(access.systems.bearers, waits=False, elsewhere=elsewhere)


def _caller(gate: SmartGate, token: str) -> Caller:
    return gate.admit("read", {"authorization": f"Bearer {token}"}, "GET")


def test_a_person_asks_with_a_token(gate: SmartGate, provider: IdentityProvider) -> None:
    token = provider.access_token(BASE, jti="number")
    caller = _caller(gate, token)
    assert (caller.name, caller.kind, caller.reference, caller.token) == (
        "openid:u-17",
        "person",
        "Practitioner/robin",
        "number",
    )
    assert gate.is_quick("read", {"authorization": f"Bearer {token}"})


def test_scopes_are_cut_to_those_of_the_role(gate: SmartGate, provider: IdentityProvider) -> None:
    def scopes(text: Any) -> frozenset[str]:
        return _caller(gate, provider.access_token(BASE, scope=text)).scopes

    assert scopes("openid user/Patient.rs user/AuditEvent.rs") == {"user/Patient.rs"}
    assert scopes("user/Practitioner.cruds") == {"user/Practitioner.rs"}
    for nothing in ("system/*.cruds", "openid", "", None, ["user/*.rs"]):
        assert scopes(nothing) == frozenset()


@pytest.mark.parametrize(
    "claims",
    [
        {"aud": CLIENT},
        {"aud": "https://records.example"},
        {"aud": None},
        {"exp": None},
        {"exp": 1_799_999_000},
        {"iat": None},
        {"sub": None},
        {"nonce": "of an ID token"},
        {"groups": ["staff"]},
        {"employee": "unknown"},
        {"scope": " ".join(f"user/Patient.rs?_id={n}" for n in range(200))},
    ],
)
def test_tokens_that_say_something_else(
    claims: dict[str, Any], gate: SmartGate, provider: IdentityProvider
) -> None:
    with pytest.raises(NotAuthenticated):
        _caller(gate, provider.access_token(BASE, **claims))


def test_forged_tokens(gate: SmartGate, provider: IdentityProvider) -> None:
    right = provider.access_token(BASE)
    head, body, signature = right.split(".")
    other = IdentityProvider(provider.clock)
    other.close()
    other.key = RSAKey.generate_key(2048, {"kid": provider.key.kid})
    other.issuer = provider.issuer
    for token in (
        other.access_token(BASE),
        f"{head}.{body}.",
        f"{head}.{body}.{signature[::-1]}",
        f"eyJhbGciOiJub25lIn0.{body}.",
    ):
        with pytest.raises(NotAuthenticated):
            _caller(gate, token)


def test_a_token_ends(gate: SmartGate, provider: IdentityProvider, clock: Clock) -> None:
    token = provider.access_token(BASE)
    assert _caller(gate, token)
    clock.now += 300
    with pytest.raises(NotAuthenticated) as refused:
        _caller(gate, token)
    assert refused.value.issues[0].code == "expired"


def test_a_token_counts_for_a_day_at_most(
    gate: SmartGate, provider: IdentityProvider, clock: Clock
) -> None:
    token = provider.access_token(BASE, exp=int(clock.now) + 100 * 365 * 86_400)
    assert _caller(gate, token)
    clock.now += 86_399
    assert _caller(gate, token)
    clock.now += 1
    with pytest.raises(NotAuthenticated) as refused:
        _caller(gate, token)
    assert refused.value.issues[0].code == "expired"
    for odd in (float("nan"), True, -1e308, "1800000000"):
        with pytest.raises(NotAuthenticated):
            _caller(gate, provider.access_token(BASE, iat=odd, exp=int(clock.now) + 300))


@pytest.mark.parametrize("told", [True, False])
def test_no_token_outlives_its_key(
    told: bool, gate: SmartGate, provider: IdentityProvider, clock: Clock
) -> None:
    token = provider.access_token(BASE, exp=int(clock.now) + 4000)
    assert _caller(gate, token)
    provider.rotated()
    if told:
        clock.now += FLOOR
        # The number of the new key makes the set be asked for again.
        assert _caller(gate, provider.access_token(BASE))
    else:
        clock.now += LIFETIME
    with pytest.raises(NotAuthenticated):
        _caller(gate, token)


def test_a_key_of_the_same_number_is_another_key(
    gate: SmartGate, provider: IdentityProvider, clock: Clock
) -> None:
    token = provider.access_token(BASE, exp=int(clock.now) + 4000)
    assert _caller(gate, token)
    provider.key = RSAKey.generate_key(2048, {"kid": provider.key.kid})
    clock.now += LIFETIME
    with pytest.raises(NotAuthenticated):
        _caller(gate, token)


def test_a_provider_that_is_away_is_waited_for(
    gate: SmartGate, provider: IdentityProvider, clock: Clock
) -> None:
    token = provider.access_token(BASE, exp=int(clock.now) + 4000)
    assert _caller(gate, token)
    provider.close()
    clock.now += LIFETIME - 1
    assert _caller(gate, token)
    clock.now += 1
    with pytest.raises(Unavailable):
        _caller(gate, token)


def test_a_disabled_person_is_out_within_a_second(
    store: Store, gate: SmartGate, provider: IdentityProvider, clock: Clock
) -> None:
    token = provider.access_token(BASE)
    disable_person(store.database, _caller(gate, token).name, 1)
    clock.now += 1
    with pytest.raises(NotAuthenticated):
        _caller(gate, token)


def test_the_provider_may_be_away_for_what_it_did_not_sign(
    gate: SmartGate, provider: IdentityProvider
) -> None:
    provider.close()
    with pytest.raises(NotAuthenticated):
        _caller(gate, "a.b.c")
