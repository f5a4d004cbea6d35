"""Who is let in with which token, and how soon is a change felt?

Sources: RFC 6750, sections 2.1 and 3; RFC 9068 (typ, claims); RFC 8725, section 3 (algorithm
pinned). On both engines.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from joserfc import jwt
from joserfc.errors import BadSignatureError
from joserfc.jwk import ECKey

from service.access.bearer import RECHECK, Bearers
from service.access.gate import NOBODY
from service.access.opening import Access
from service.access.signing import LONGEST_TOKEN, SigningKeys, opened_secrets, rotated
from service.access.tokens import _REGISTRY, AccessTokens
from service.caller import Caller
from service.errors import NotAuthenticated
from service.store.engine import Database
from service.store.store import Store
from service.store.systems import SystemClient, change_client, disable_client
from tests.access.integrators import BASE, SETTINGS, Clock, Integrator, access_at

Enter = Callable[[str], Caller]


@pytest.fixture
def token(access: Access, lakeside: Integrator, clock: Clock) -> str:
    answer = access.systems.token(lakeside.form(clock.now, "system/*.cruds"))
    text: str = answer["access_token"]
    return text


@pytest.fixture
def enter(access: Access) -> Enter:
    return lambda token: access.gate.admit("read", {"authorization": f"Bearer {token}"})


def _refused(enter: Enter, token: str) -> NotAuthenticated:
    with pytest.raises(NotAuthenticated) as refusal:
        enter(token)
    assert refusal.value.status == 401
    assert 'error="invalid_token"' in refusal.value.headers["WWW-Authenticate"]
    return refusal.value


def _part(content: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(content).encode()).decode().rstrip("=")


def _claims(token: str) -> dict[str, Any]:
    part = token.split(".")[1]
    found: dict[str, Any] = json.loads(base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)))
    return found


def _signing_key(access: Access, clock: Clock) -> ECKey:
    return access.keys.to_sign(int(clock.now))


def test_who_holds_a_token_is_let_in(enter: Enter, token: str) -> None:
    caller = enter(token)
    assert caller == Caller("lakeside", frozenset({"system/*.cruds"}), token=_claims(token)["jti"])
    assert enter(token) is caller


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_the_scheme_has_no_case(scheme: str, access: Access, token: str) -> None:
    assert access.gate.admit("read", {"authorization": f"{scheme} {token}"}).name == "lakeside"


@pytest.mark.parametrize("header", [None, "", "Bearer", "Bearer ", "Basic eDp5", "x"])
def test_no_token_is_told_without_an_error_code(header: str | None, access: Access) -> None:
    """RFC 6750, section 3.1: no error code where no authentication was tried."""
    with pytest.raises(NotAuthenticated) as refusal:
        access.gate.admit("read", {} if header is None else {"authorization": header})
    assert refusal.value.headers == {"WWW-Authenticate": "Bearer"}
    assert refusal.value.issues[0].code == "login"


@pytest.mark.parametrize("public", ["capabilities", "smart-configuration"])
def test_what_is_public_needs_no_token_and_gives_no_right(public: str, access: Access) -> None:
    assert access.gate.admit(public, {"authorization": "Bearer x"}) is NOBODY
    assert NOBODY.scopes == frozenset()


def test_a_token_expires(enter: Enter, token: str, clock: Clock) -> None:
    enter(token)
    clock.now += 299
    enter(token)
    clock.now += 1
    assert _refused(enter, token).issues[0].code == "expired"


def test_an_expired_token_is_refused_where_it_was_never_seen(
    store: Store, token: str, clock: Clock
) -> None:
    clock.now += 300
    other = access_at(store.database, clock)
    with pytest.raises(NotAuthenticated, match="expired"):
        other.gate.admit("read", {"authorization": f"Bearer {token}"})


@pytest.mark.parametrize(
    "text",
    ["x", "a.b.c", "e30.e30.", "é", "..", "x" * 20_000, "[" * 3000 + ".e30.", "a, Bearer b"],
    ids=lambda text: text[:10],
)
def test_what_is_no_token_is_refused(text: str, enter: Enter) -> None:
    assert _refused(enter, text).issues[0].code == "unknown"


def test_a_changed_token_is_refused(enter: Enter, token: str) -> None:
    head, _, signature = token.split(".")
    claims = _claims(token)
    for changed in (
        {"scope": "system/*.cruds user/*.cruds"},
        {"exp": claims["exp"] + 9999},
        {"client_id": "another"},
    ):
        _refused(enter, f"{head}.{_part(claims | changed)}.{signature}")


@pytest.mark.parametrize(
    "changed",
    [
        {"aud": "https://elsewhere.example/fhir"},
        {"iss": "https://elsewhere.example/fhir"},
        {"aud": None},
        {"exp": None},
        {"client_id": "stranger"},
        {"client_id": None},
        {"scope": None},
        {"jti": None},
        {"tied": 7},
    ],
    ids=str,
)
def test_even_signed_by_us_it_must_be_for_us(
    changed: dict[str, Any], enter: Enter, token: str, access: Access, clock: Clock
) -> None:
    key = _signing_key(access, clock)
    header = {"alg": "ES256", "typ": "at+jwt", "kid": key.kid}
    assert enter(jwt.encode(header, _claims(token), key))
    claims = {k: v for k, v in (_claims(token) | changed).items() if v is not None}
    _refused(enter, jwt.encode(header, claims, key))


@pytest.mark.parametrize("kind", ["JWT", "at+JWT2", "secevent+jwt", ""])
def test_even_signed_by_us_it_must_be_an_access_token(
    kind: str, enter: Enter, token: str, access: Access, clock: Clock
) -> None:
    key = _signing_key(access, clock)
    header = {"alg": "ES256", "typ": kind, "kid": key.kid}
    _refused(enter, jwt.encode(header, _claims(token), key))


@pytest.mark.parametrize(
    "header",
    [
        {"typ": "JWT"},
        {"typ": None},
        {"kid": None},
        {"kid": "unknown"},
        {"kid": "../../etc/passwd"},
        {"kid": "' OR 1=1 --"},
        {"kid": 7},
        {"alg": "none"},
        {"alg": "ES384"},
        {"alg": None},
        {"crit": ["b64"], "b64": False},
    ],
    ids=str,
)
def test_another_header_is_refused(
    header: dict[str, Any], enter: Enter, token: str, access: Access, clock: Clock
) -> None:
    key = _signing_key(access, clock)
    told = {"alg": "ES256", "typ": "at+jwt", "kid": key.kid} | header
    told = {name: value for name, value in told.items() if value is not None}
    _, payload, signature = token.split(".")
    for end in (signature, ""):
        _refused(enter, f"{_part(told)}.{payload}.{end}")


def test_the_public_key_is_no_shared_secret(
    enter: Enter, token: str, access: Access, clock: Clock
) -> None:
    """RFC 8725, section 2.1."""
    key = _signing_key(access, clock)
    signed = f"{_part({'alg': 'HS256', 'typ': 'at+jwt', 'kid': key.kid})}.{token.split('.')[1]}"
    for secret in (key.as_pem(private=False), key.as_der(private=False)):
        digest = hmac.new(secret, signed.encode(), hashlib.sha256).digest()
        end = base64.urlsafe_b64encode(digest).decode().rstrip("=")
        _refused(enter, f"{signed}.{end}")


def test_an_own_key_in_the_header_is_not_used(enter: Enter, token: str, clock: Clock) -> None:
    own = ECKey.generate_key("P-256", auto_kid=True)
    header = {"alg": "ES256", "typ": "at+jwt", "kid": own.kid, "jwk": own.as_dict(private=False)}
    _refused(enter, jwt.encode(header, _claims(token), own))


def test_the_published_example_of_es256_verifies_and_is_none_of_ours(enter: Enter) -> None:
    """RFC 7515, appendix A.3, through the library as it is used here."""
    key = ECKey.import_key(
        {
            "kty": "EC",
            "crv": "P-256",
            "x": "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU",
            "y": "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0",
        }
    )
    text = (
        "eyJhbGciOiJFUzI1NiJ9"
        ".eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0"
        "cnVlfQ"
        ".DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q"
    )
    assert jwt.decode(text, key, registry=_REGISTRY).claims["iss"] == "joe"
    with pytest.raises(BadSignatureError):
        jwt.decode(text[:-4] + "NU1A", key, registry=_REGISTRY)
    _refused(enter, text)


# Changes, felt within RECHECK seconds


def _soon(clock: Clock) -> None:
    clock.now += RECHECK


def test_a_revoked_token_is_refused_soon(
    access: Access, enter: Enter, token: str, clock: Clock
) -> None:
    enter(token)
    access.systems.revoke({"token": token}, f"Bearer {token}")
    assert enter(token)
    _soon(clock)
    _refused(enter, token)


def test_a_disabled_system_is_refused_soon_and_let_in_again(
    store: Store, enter: Enter, token: str, clock: Clock
) -> None:
    enter(token)
    disable_client(store.database, "lakeside", 1)
    _soon(clock)
    _refused(enter, token)
    disable_client(store.database, "lakeside", None)
    assert enter(token)


def _changed(store: Store, **changes: Any) -> None:
    from service.store.systems import required_client

    client: SystemClient = required_client(store.database, "lakeside")
    change_client(store.database, replace(client, **changes))


def test_a_narrowed_system_may_do_less_soon(
    store: Store, enter: Enter, token: str, clock: Clock
) -> None:
    enter(token)
    _changed(store, scopes=frozenset({"system/Observation.r"}), tied=frozenset({"CareTeam/a"}))
    assert enter(token).scopes == {"system/*.cruds"}
    _soon(clock)
    caller = enter(token)
    assert (caller.scopes, caller.tied) == ({"system/Observation.r"}, {"CareTeam/a"})


def test_a_widened_system_may_do_more_only_with_a_new_token(
    access: Access, store: Store, clock: Clock, enter: Enter
) -> None:
    small = Integrator("lakeside")
    small.registered(store.database, "system/Patient.r", tied="CareTeam/a CareTeam/b")
    token = access.systems.token(small.form(clock.now, "system/*.cruds"))["access_token"]
    _changed(store, scopes=frozenset({"system/*.cruds"}), tied=None)
    caller = enter(token)
    assert caller.scopes == {"system/Patient.r"}
    assert caller.tied == {"CareTeam/a", "CareTeam/b"}
    _changed(store, tied=frozenset({"CareTeam/b", "CareTeam/c"}))
    _soon(clock)
    assert enter(token).tied == {"CareTeam/b"}
    _changed(store, tied=frozenset({"CareTeam/c"}))
    _soon(clock)
    assert enter(token).tied == frozenset()


# Keys


def test_a_token_outlives_the_rotation_of_its_key(
    access: Access, store: Store, lakeside: Integrator, clock: Clock, token: str
) -> None:
    before = _signing_key(access, clock).kid
    after = rotated(store.database, opened_secrets(store.database, SETTINGS), int(clock.now)).kid
    assert before != after
    other = access_at(store.database, clock)
    assert other.gate.admit("read", {"authorization": f"Bearer {token}"})
    assert _signing_key(access, clock).kid == after
    assert {key["kid"] for key in access.keys.public(int(clock.now))["keys"]} == {before, after}
    clock.now += LONGEST_TOKEN + 1
    last = rotated(store.database, opened_secrets(store.database, SETTINGS), int(clock.now)).kid
    assert {key["kid"] for key in access.keys.public(int(clock.now))["keys"]} == {after, last}


def test_a_withdrawn_key_ends_its_tokens_soon(
    store: Store, enter: Enter, token: str, clock: Clock
) -> None:
    enter(token)
    rotated(store.database, opened_secrets(store.database, SETTINGS), int(clock.now), drop=True)
    _soon(clock)
    _refused(enter, token)


def test_an_old_key_is_replaced_by_whoever_signs_next_and_once(
    store: Store, database_url: str
) -> None:
    from concurrent.futures import ThreadPoolExecutor

    databases = [Database(database_url) for _ in range(4)]
    keys = [SigningKeys(database, opened_secrets(database, SETTINGS), 30) for database in databases]
    day = 86400

    def sign(now: int) -> set[str | None]:
        with ThreadPoolExecutor(4) as pool:
            return {key.kid for key in pool.map(lambda each: each.to_sign(now), keys)}

    (first,) = sign(1_800_000_000)
    assert sign(1_800_000_000 + 30 * day) == {first}
    (second,) = sign(1_800_000_000 + 30 * day + 1)
    assert second != first
    for database in databases:
        database.close()


def test_a_token_of_one_service_is_none_of_another_on_the_same_database(
    store: Store, token: str, clock: Clock
) -> None:
    other = access_at(
        store.database, clock, replace(SETTINGS, base_url="https://other.example/fhir")
    )
    with pytest.raises(NotAuthenticated):
        other.gate.admit("read", {"authorization": f"Bearer {token}"})


# What it costs


def test_the_database_is_asked_once_a_second_and_memory_is_bounded(
    store: Store, access: Access, lakeside: Integrator, clock: Clock, monkeypatch: Any
) -> None:
    from service.access import bearer

    asked: list[str] = []
    real = bearer.standing_of

    def counting(connection: Any, client: str, kid: str, jti: str, since: int) -> Any:
        asked.append(jti)
        return real(connection, client, kid, jti, since)

    monkeypatch.setattr(bearer, "standing_of", counting)
    monkeypatch.setattr(bearer, "REMEMBERED", 3)
    tokens = AccessTokens(access.keys, BASE, 300)
    bearers = Bearers(store.database, tokens, clock, clock)
    client = SystemClient("lakeside", frozenset({"system/*.rs"}))
    texts = [tokens.issue(client, ["system/*.rs"], int(clock.now)) for _ in range(5)]
    for _ in range(10):
        bearers.caller(texts[0])
    assert len(asked) == 1
    assert bearers.is_fresh(texts[0])
    clock.now += RECHECK
    assert not bearers.is_fresh(texts[0])
    bearers.caller(texts[0])
    assert len(asked) == 2
    for text in texts:
        bearers.caller(text)
    assert len(bearers._known) == 3
    assert not bearers.is_fresh("x")
