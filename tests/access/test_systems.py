"""A system asks for a token, asks about it, and gives it back.

Sources: RFC 6749, sections 4.4 and 5; RFC 7523, section 3; RFC 7662; RFC 7009; SMART App Launch
2.2, backend-services and client-confidential-asymmetric. On both engines.
"""

from __future__ import annotations

import json
import time
from concurrent.futures import ThreadPoolExecutor
from statistics import median
from typing import Any

import pytest
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, RSAKey

from service.access.opening import Access
from service.access.refusals import (
    InvalidClient,
    InvalidRequest,
    InvalidScope,
    OAuthError,
    UnauthorizedClient,
    UnsupportedGrantType,
)
from service.store.engine import Database
from service.store.store import Store
from service.store.systems import change_client, disable_client
from tests.access.integrators import BASE, TOKEN, Clock, Integrator, access_at, asking, ec_key

BLAND = InvalidClient().description


def _refusal(access: Access, form: dict[str, str]) -> OAuthError:
    with pytest.raises(OAuthError) as refusal:
        access.systems.token(form)
    return refusal.value


def _bland(access: Access, form: dict[str, str]) -> bool:
    refusal = _refusal(access, form)
    return isinstance(refusal, InvalidClient) and refusal.description == BLAND


def test_a_token_is_given(access: Access, lakeside: Integrator, clock: Clock) -> None:
    answer = access.systems.token(lakeside.form(clock.now, "system/Observation.rs"))
    assert answer["token_type"] == "bearer"
    assert answer["expires_in"] == 300
    assert answer["scope"] == "system/Observation.rs"
    keys = KeySet.import_key_set(access.keys.public(int(clock.now)))  # type: ignore[arg-type]
    found = jwt.decode(answer["access_token"], keys, algorithms=["ES256"])
    assert found.header["typ"] == "at+jwt"
    assert found.claims["iss"] == found.claims["aud"] == BASE
    assert found.claims["client_id"] == found.claims["sub"] == "lakeside"
    assert found.claims["exp"] - found.claims["iat"] == 300
    assert len(found.claims["jti"]) >= 22


def test_an_rsa_key_will_do(access: Access, store: Store, clock: Clock) -> None:
    rsa = Integrator("rsa", RSAKey.generate_key(2048, {"kid": "r"}), "RS384")
    rsa.registered(store.database)
    assert access.systems.token(rsa.form(clock.now))["access_token"]


def test_published_keys_are_public(access: Access, lakeside: Integrator, clock: Clock) -> None:
    access.systems.token(lakeside.form(clock.now))
    (key,) = access.keys.public(int(clock.now))["keys"]
    assert set(key) == {"kty", "crv", "x", "y", "kid", "use", "alg"}


def test_scopes_are_narrowed_and_never_widened(access: Access, store: Store, clock: Clock) -> None:
    reader = Integrator("reader")
    reader.registered(store.database, "system/Observation.rs system/Patient.r")
    asked = "system/*.cruds launch/patient openid"
    answer = access.systems.token(reader.form(clock.now, asked))
    assert answer["scope"].split() == ["system/Observation.rs", "system/Patient.r"]
    for scope in ("system/Condition.rs", "system/Patient.s", "user/*.rs", "launch", "x", " "):
        assert isinstance(_refusal(access, reader.form(clock.now, scope)), InvalidScope), scope
    without = reader.form(clock.now)
    del without["scope"]
    assert isinstance(_refusal(access, without), InvalidScope)
    many = " ".join(f"system/Patient.r?_id={n}" for n in range(101))
    assert isinstance(_refusal(access, reader.form(clock.now, many)), InvalidScope)


def test_scopes_do_not_multiply(access: Access, store: Store, clock: Clock) -> None:
    """Fifty restrictions asked for, of fifty allowed: 2500 in common, each unlike the others."""
    system = Integrator("restricted")
    allowed = " ".join(f"system/Observation.rs?code=a{n}" for n in range(50))
    system.registered(store.database, allowed)
    asked = " ".join(f"system/Observation.rs?status=s{n}" for n in range(50))
    started = time.process_time()
    assert isinstance(_refusal(access, system.form(clock.now, asked)), InvalidScope)
    assert time.process_time() - started < 2
    answer = access.systems.token(system.form(clock.now, asked.split()[0]))
    assert len(answer["scope"].split()) == 50


def test_a_form_that_says_something_else(
    access: Access, lakeside: Integrator, clock: Clock
) -> None:
    right = lakeside.form(clock.now)
    for changed, expected in (
        ({"grant_type": "authorization_code"}, UnsupportedGrantType),
        ({"client_assertion_type": "jwt"}, InvalidClient),
        ({"client_assertion": ""}, InvalidClient),
        ({"client_id": "another"}, InvalidClient),
    ):
        assert isinstance(_refusal(access, right | changed), expected), changed
    del right["grant_type"]
    assert isinstance(_refusal(access, right), InvalidRequest)


def test_an_assertion_is_used_once(access: Access, lakeside: Integrator, clock: Clock) -> None:
    form = lakeside.form(clock.now, jti="same")
    assert access.systems.token(form)
    assert "used before" in _refusal(access, form).description
    again = lakeside.form(clock.now, jti="same", exp=int(clock.now) + 100)
    assert "used before" in _refusal(access, again).description


def test_the_number_of_another_system_is_no_replay(
    access: Access, store: Store, lakeside: Integrator, clock: Clock
) -> None:
    other = Integrator("other")
    other.registered(store.database)
    for system in (lakeside, other):
        assert access.systems.token(system.form(clock.now, jti="same"))


def test_an_assertion_is_used_once_though_its_scope_was_refused(
    access: Access, lakeside: Integrator, clock: Clock
) -> None:
    form = lakeside.form(clock.now, "nothing")
    assert isinstance(_refusal(access, form), InvalidScope)
    assert isinstance(_refusal(access, form | {"scope": "system/*.rs"}), InvalidClient)


def test_of_processes_that_get_the_same_assertion_one_gives_a_token(
    lakeside: Integrator, clock: Clock, database_url: str
) -> None:
    databases = [Database(database_url) for _ in range(4)]
    form = lakeside.form(clock.now)

    def ask(database: Database) -> bool:
        try:
            return bool(access_at(database, clock).systems.token(form))
        except InvalidClient:
            return False

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(ask, databases)) == [False, False, False, True]
    for database in databases:
        database.close()


def test_a_wrong_signature_and_no_such_system_are_told_alike(
    access: Access, lakeside: Integrator, store: Store, clock: Clock
) -> None:
    stranger = Integrator("stranger")
    disabled = Integrator("disabled")
    disabled.registered(store.database)
    disable_client(store.database, "disabled", 1)
    cut = lakeside.assertion(clock.now)[:-8]
    forms = [
        stranger.form(clock.now),
        disabled.form(clock.now),
        lakeside.form(clock.now, key=ec_key()),
        lakeside.form(clock.now, header={"kid": "unknown"}),
        lakeside.form(clock.now, header={"jku": "https://elsewhere.example/jwks"}),
        lakeside.form(clock.now, iss="disabled", sub="disabled"),
        asking(cut + "AAAAAAAA"),
        asking(cut),
        asking(cut + "!!!!"),
    ]
    for form in forms:
        assert _bland(access, form)
    rsa = RSAKey.generate_key(2048, {"kid": "one"})
    other_kind = lakeside.form(clock.now, header={"alg": "RS384"}, key=rsa)
    assert _bland(access, other_kind)


@pytest.mark.parametrize("alg", ["ES384", "RS384"])
def test_the_time_it_takes_does_not_tell_whether_a_system_exists(
    alg: str, access: Access, store: Store, clock: Clock
) -> None:
    """No step like that of a signature is left out for one of them. In processor time."""

    def made() -> ECKey | RSAKey:
        return ec_key() if alg == "ES384" else RSAKey.generate_key(2048, {"kid": "one"})

    there, other = Integrator("there", made(), alg), made()
    there.registered(store.database)
    sides = {
        "there": [there.form(clock.now, key=other) for _ in range(40)],
        "nobody": [Integrator("nobody", other, alg).form(clock.now) for _ in range(40)],
    }
    taken: dict[str, list[float]] = {name: [] for name in sides}
    for pair in zip(*sides.values(), strict=True):
        for name, form in zip(sides, pair, strict=True):
            started = time.thread_time()
            assert _bland(access, form)
            taken[name].append(time.thread_time() - started)
    assert 0.6 < median(taken["there"]) / median(taken["nobody"]) < 1.6


def test_a_refused_assertion_is_not_used_up(
    access: Access, lakeside: Integrator, clock: Clock
) -> None:
    """Else whoever knows a jti could use it up before its owner."""
    assert _bland(access, lakeside.form(clock.now, key=ec_key(), jti="mine"))
    assert access.systems.token(lakeside.form(clock.now, jti="mine"))


def test_the_key_set_url_of_an_assertion_must_be_the_registered_one(
    store: Store, clock: Clock, access: Access
) -> None:
    from service.access.authentication import Authentication
    from service.access.fetching import Fetched
    from service.access.key_sets import KeySets
    from tests.access.integrators import key_set

    url = "https://clinic.example/jwks"
    system = Integrator("by-url")
    system.registered(store.database, url=url)
    asked: list[str] = []

    def fetch(wanted: str) -> Fetched:
        asked.append(wanted)
        return Fetched(key_set(system.key).encode(), 60)

    authentication = Authentication(store.database, KeySets(fetch, clock))
    for header in ({}, {"jku": url}):
        text = system.assertion(clock.now, header=header)
        assert authentication.client(text, [TOKEN], int(clock.now)).id == "by-url"
    swapped = system.assertion(clock.now, header={"jku": "https://evil.example/jwks"})
    with pytest.raises(InvalidClient):
        authentication.client(swapped, [TOKEN], int(clock.now))
    assert asked == [url]


def test_the_tie_is_in_the_token(access: Access, store: Store, clock: Clock) -> None:
    tied = Integrator("tied")
    tied.registered(store.database, tied="Organization/a CareTeam/b", reference="Device/d")
    token = access.systems.token(tied.form(clock.now))["access_token"]
    caller = access.gate.admit("read", {"authorization": f"Bearer {token}"})
    assert caller.tied == {"Organization/a", "CareTeam/b"}
    assert (caller.reference, caller.kind, caller.name) == ("Device/d", "system", "tied")


# Introspection and revocation


def _both(
    access: Access, store: Store, lakeside: Integrator, clock: Clock
) -> tuple[str, str, Integrator]:
    other = Integrator("other")
    other.registered(store.database)
    mine = access.systems.token(lakeside.form(clock.now))["access_token"]
    others = access.systems.token(other.form(clock.now))["access_token"]
    return mine, others, other


def _by_assertion(system: Integrator, clock: Clock, token: str, **claims: Any) -> dict[str, str]:
    return asking(system.assertion(clock.now, **claims)) | {"token": token}


def test_its_owner_is_told_what_a_token_is_worth(
    access: Access, store: Store, lakeside: Integrator, clock: Clock
) -> None:
    mine, _, _ = _both(access, store, lakeside, clock)
    for told in (
        access.systems.introspect(_by_assertion(lakeside, clock, mine), ""),
        access.systems.introspect({"token": mine}, f"Bearer {mine}"),
        access.systems.introspect(
            _by_assertion(lakeside, clock, mine, aud="https://records.example/access/introspect"),
            "",
        ),
    ):
        assert told["active"] is True
        assert (told["client_id"], told["scope"]) == ("lakeside", "system/*.rs")
        assert told["exp"] == int(clock.now) + 300
        json.dumps(told)


def test_others_are_told_nothing(
    access: Access, store: Store, lakeside: Integrator, clock: Clock
) -> None:
    mine, others, other = _both(access, store, lakeside, clock)
    expired = mine
    for token, bearer in ((mine, others), ("x", others), ("", others)):
        if token:
            told = access.systems.introspect({"token": token}, f"Bearer {bearer}")
            assert told == {"active": False}
    assert access.systems.introspect(_by_assertion(other, clock, mine), "") == {"active": False}
    clock.now += 300
    told = access.systems.introspect(_by_assertion(lakeside, clock, expired), "")
    assert told == {"active": False}


def test_who_is_not_authenticated_is_refused(
    access: Access, store: Store, lakeside: Integrator, clock: Clock
) -> None:
    mine, _, _ = _both(access, store, lakeside, clock)
    for work in (access.systems.introspect, access.systems.revoke):
        for authorization in ("", "Bearer x", "Basic eDp5"):
            with pytest.raises(InvalidClient):
                work({"token": mine}, authorization)
        with pytest.raises(InvalidRequest):
            work({}, f"Bearer {mine}")


def test_a_revoked_token_counts_no_more(
    access: Access, store: Store, lakeside: Integrator, clock: Clock
) -> None:
    mine, others, _ = _both(access, store, lakeside, clock)
    with pytest.raises(UnauthorizedClient):
        access.systems.revoke({"token": mine}, f"Bearer {others}")
    assert access.systems.introspect({"token": mine}, f"Bearer {mine}")["active"]
    for token in (mine, mine, "nonsense"):
        access.systems.revoke(_by_assertion(lakeside, clock, token), "")
    told = access.systems.introspect(_by_assertion(lakeside, clock, mine), "")
    assert told == {"active": False}


def test_what_a_system_may_no_longer_do_is_not_told_as_its_scope(
    access: Access, store: Store, clock: Clock
) -> None:
    system = Integrator("narrowed")
    client = system.registered(store.database)
    token = access.systems.token(system.form(clock.now, "system/*.cruds"))["access_token"]
    from dataclasses import replace

    change_client(store.database, replace(client, scopes=frozenset({"system/Patient.r"})))
    told = access.systems.introspect(_by_assertion(system, clock, token), "")
    assert told["scope"] == "system/Patient.r"


def test_a_key_of_a_system_is_no_key_of_the_service(
    access: Access, lakeside: Integrator, clock: Clock
) -> None:
    """Nor does an assertion pass for an access token."""
    assertion = lakeside.assertion(clock.now, aud=BASE, client_id="lakeside", scope="system/*.rs")
    assert access.systems.bearers.active(assertion) is None
    own = ECKey.generate_key("P-256", {"kid": "one"})
    head = {"alg": "ES256", "typ": "at+jwt", "kid": "one"}
    assert access.systems.bearers.active(jwt.encode(head, {"iss": BASE}, own)) is None
