"""Which keys of a JWK Set can be used, and which not.

Sources: RFC 7517 (JWK Sets; the example of appendix A.1), RFC 7518, sections 3.3 and 3.4; SMART
App Launch 2.2: `kid` and `kty` in every key, RS384 and ES384.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from joserfc.jwk import ECKey, RSAKey

from service.access.client_keys import key_of, required_key_set, usable_keys
from tests.access.integrators import ec_key, key_set

RFC_7517_A_1 = """{"keys": [
 {"kty":"EC", "crv":"P-256",
  "x":"MKBCTNIcKUSDii11ySs3526iDZ8AiTo7Tu6KPAqv7D4",
  "y":"4Etl6SRW2YiLUrN5vfvVHuhp7x8PxltmWWlbbM4IFyM", "use":"enc", "kid":"1"},
 {"kty":"RSA",
  "n": "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknjhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzKnqDKgw",
  "e":"AQAB", "alg":"RS256", "kid":"2011-04-29"}]}"""  # noqa: E501

RSA = RSAKey.generate_key(2048, {"kid": "two"})


def _jwk(**changed: Any) -> str:
    return json.dumps({"keys": [ec_key().as_dict(private=False) | changed]})


def test_the_example_of_the_standard_is_read_and_fits_neither_algorithm() -> None:
    assert usable_keys(RFC_7517_A_1) == ()
    listed = json.loads(RFC_7517_A_1)["keys"]
    fit = json.dumps({"keys": [listed[0], listed[1] | {"alg": "RS384"}]})
    (key,) = usable_keys(fit)
    assert key.kid == "2011-04-29"
    # RFC 7638, section 3.1 gives the thumbprint of this very key.
    assert key.thumbprint() == "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs"


@pytest.mark.parametrize(
    ("text", "about"),
    [
        ("", "JSON"),
        ("{", "JSON"),
        ("[" * 9000, "JSON"),
        ("[]", "JWK Set"),
        ('{"keys": {}}', "JWK Set"),
        ('{"keys": [1]}', "JWK Set"),
        ('{"keys": []}', "between 1"),
        ("x" * 70_000, "larger"),
        (RFC_7517_A_1, r"keys\[0\]: not a key for signatures"),
        (_jwk(kid=None), "kid"),
        (_jwk(kid="x" * 256), "kid"),
        (_jwk(use="enc"), "signatures"),
        (_jwk(key_ops=["sign"]), "signatures"),
        (_jwk(alg="ES256"), "alg"),
        (_jwk(x="AAAA"), "cannot be read"),
        (_jwk(x="!"), "cannot be read"),
        (_jwk(x=7), "cannot be read"),
        (_jwk(kty="oct", k="AAAA"), "private"),
        (_jwk(kty="OKP", crv="Ed25519"), "RSA key or a P-384 key"),
        (json.dumps({"keys": [ec_key().as_dict(private=True)]}), "private key"),
        (key_set(ec_key("a"), ec_key("a")), "same kid"),
        (key_set(ECKey.generate_key("P-256", {"kid": "x"})), "RSA key or a P-384 key"),
        (json.dumps({"keys": [RSA.as_dict(private=False, n="AQAB" * 60)]}), "2048 bits"),
        (json.dumps({"keys": [RSA.as_dict(private=False, n="_" * 4000)]}), "2048 to 8192 bits"),
    ],
)
def test_what_cannot_be_registered_is_told(text: str, about: str) -> None:
    with pytest.raises(ValueError, match=about):
        required_key_set(text)


def test_a_registered_set_holds_what_was_given() -> None:
    given = key_set(ec_key("one"), RSA)
    assert json.loads(required_key_set(given.encode())) == json.loads(given)


def test_exactly_one_key_must_fit() -> None:
    keys = usable_keys(key_set(ec_key("one"), RSA))
    assert key_of(keys, "one", "ES384") is not None
    assert key_of(keys, "two", "RS384") is not None
    assert key_of(keys, "one", "RS384") is None
    assert key_of(keys, "three", "ES384") is None
    twice = usable_keys(key_set(ec_key("one"), ec_key("one")))
    assert key_of(twice, "one", "ES384") is None
    other = usable_keys(json.dumps({"keys": [RSA.as_dict(private=False, alg="ES384")]}))
    assert key_of(other, "two", "RS384") is None
