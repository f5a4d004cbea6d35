"""What an assertion must say.

Source: SMART App Launch 2.2, client-confidential-asymmetric (header and claims required, `exp` at
most five minutes ahead, RS384 and ES384); RFC 7523, section 3; RFC 8725 (no `none`, no HMAC).
"""

from __future__ import annotations

import base64
import hmac
import json
import re
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import ECDSA, SECP384R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA384
from joserfc.jwk import RSAKey

from service.access.assertions import LEEWAY, read_assertion
from service.access.refusals import InvalidClient
from tests.access.integrators import TOKEN, Integrator, ec_key

NOW = 1_800_000_000
LAKESIDE = Integrator(key=ec_key())


def _refusal(text: str) -> str:
    with pytest.raises(InvalidClient) as refusal:
        read_assertion(text, [TOKEN], NOW)
    return refusal.value.description


def _part(content: dict[str, Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(content).encode()).decode().rstrip("=")


def test_a_right_one_is_read() -> None:
    found = read_assertion(LAKESIDE.assertion(NOW, jti="n1"), [TOKEN], NOW)
    assert (found.client_id, found.algorithm, found.kid) == ("lakeside", "ES384", "one")
    assert (found.jti, found.expires, found.key_set_url) == ("n1", NOW + 240, None)


@pytest.mark.parametrize("claim", ["iss", "sub", "aud", "exp", "jti"])
def test_every_claim_is_needed(claim: str) -> None:
    told = _refusal(LAKESIDE.assertion(NOW, without=(claim,)))
    assert told == f"The assertion lacks {claim}"
    assert _refusal(LAKESIDE.assertion(NOW, **{claim: None})) == told


def test_all_that_lack_are_told() -> None:
    told = _refusal(LAKESIDE.assertion(NOW, without=("aud", "jti", "exp")))
    assert told == "The assertion lacks exp, jti, aud"


@pytest.mark.parametrize(
    ("claim", "value"),
    [
        ("aud", "https://records.example/fhir"),
        ("aud", TOKEN + "/"),
        ("aud", ["https://elsewhere.example/token"]),
        ("aud", {"url": TOKEN}),
        ("aud", []),
        ("exp", NOW - LEEWAY),
        ("exp", NOW + 300 + LEEWAY + 1),
        ("exp", 10**400),
        ("exp", str(NOW + 100)),
        ("exp", True),
        ("exp", float("nan")),
        ("exp", float("inf")),
        ("nbf", NOW + LEEWAY + 1),
        ("iat", NOW + LEEWAY + 1),
        ("iat", "today"),
        ("nbf", []),
        ("sub", {}),
        ("sub", "another"),
        ("iss", ["lakeside"]),
        ("jti", ""),
        ("jti", "x" * 256),
        ("jti", "a\x00b"),
        ("jti", 7),
    ],
)
def test_a_wrong_claim_is_refused(claim: str, value: Any) -> None:
    told = _refusal(LAKESIDE.assertion(NOW, **{claim: value}))
    assert re.search(rf"\b{claim}\b|must expire within five minutes", told)
    if claim in ("iat", "nbf"):
        assert ("in the future" in told) is isinstance(value, int)


@pytest.mark.parametrize("ahead", [1 - LEEWAY, 1, 300, 300 + LEEWAY])
def test_clocks_may_differ_a_little(ahead: int) -> None:
    assert read_assertion(LAKESIDE.assertion(NOW, exp=NOW + ahead), [TOKEN], NOW)


def test_one_of_several_audiences_is_enough() -> None:
    text = LAKESIDE.assertion(NOW, aud=["https://elsewhere.example", TOKEN])
    assert read_assertion(text, [TOKEN], NOW)


@pytest.mark.parametrize(
    ("header", "about"),
    [
        ({"kid": None}, "kid"),
        ({"kid": ""}, "kid"),
        ({"typ": "at+jwt"}, "typ"),
        ({"typ": ""}, "typ"),
    ],
)
def test_a_wrong_header_is_refused(header: dict[str, Any], about: str) -> None:
    assert about in _refusal(LAKESIDE.assertion(NOW, header=header))


@pytest.mark.parametrize("alg", ["RS256", "RS512", "PS384"])
def test_other_algorithms_are_refused(alg: str) -> None:
    key = RSAKey.generate_key(2048, {"kid": "one"})
    text = LAKESIDE.assertion(NOW, header={"alg": alg}, key=key)
    assert "RS384 or ES384" in _refusal(text)


@pytest.mark.parametrize("alg", ["HS256", "HS384", "HS512"])
def test_a_public_key_is_no_shared_secret(alg: str) -> None:
    """RFC 8725, section 2.1: the public key, known to all, used as the secret of an HMAC."""
    claims = {"iss": "lakeside", "sub": "lakeside", "aud": TOKEN, "exp": NOW + 60, "jti": "x"}
    signed = f"{_part({'alg': alg, 'typ': 'JWT', 'kid': 'one'})}.{_part(claims)}"
    secret = LAKESIDE.key.as_pem(private=False)
    digest = hmac.new(secret, signed.encode(), f"sha{alg[2:]}").digest()
    signature = base64.urlsafe_b64encode(digest).decode().rstrip("=")
    assert "RS384 or ES384" in _refusal(f"{signed}.{signature}")


@pytest.mark.parametrize("alg", ["none", "None", "NONE", "", None, 7, ["ES384"], {"ES384": 1}])
def test_no_signature_is_none(alg: Any) -> None:
    claims = {"iss": "lakeside", "sub": "lakeside", "aud": TOKEN, "exp": NOW + 60, "jti": "x"}
    head = _part({"alg": alg, "typ": "JWT", "kid": "one"})
    for signature in ("", "AAAA"):
        assert _refusal(f"{head}.{_part(claims)}.{signature}")


@pytest.mark.parametrize(
    "text",
    ["", ".", "..", "a.b", "a.b.c", "e30.e30.", "é.é.é", "x" * 20_000, "W10.W10.", "e30.W10.AA"],
    ids=lambda text: text[:10],
)
def test_what_is_no_jwt_is_refused(text: str) -> None:
    assert _refusal(text)


def test_deep_json_is_refused() -> None:
    deep = base64.urlsafe_b64encode(b"[" * 5000).decode().rstrip("=")
    assert _refusal(f"{_part({'alg': 'ES384'})}.{deep}.AA")
    assert _refusal(f"{deep[:4000]}.{_part({})}.AA")


def test_critical_extensions_are_refused_by_the_signature_check() -> None:
    """RFC 7515, section 4.1.11: what is critical and not understood must be refused."""
    from service.access.authentication import _is_signed

    text = LAKESIDE.assertion(NOW)
    head = {"alg": "ES384", "typ": "JWT", "kid": "one", "crit": ["odd"], "odd": 1}
    forged = ".".join((_part(head), *text.split(".")[1:]))
    assert _is_signed(read_assertion(text, [TOKEN], NOW), LAKESIDE.key)
    assert not _is_signed(read_assertion(forged, [TOKEN], NOW), LAKESIDE.key)


def test_a_signature_made_without_the_library_is_right() -> None:
    """Made here by RFC 7515 and RFC 7518, section 3.4: SHA-384 over `header.payload`, R and S."""
    from joserfc.jwk import ECKey

    from service.access.authentication import _is_signed

    secret = generate_private_key(SECP384R1())
    head = {"alg": "ES384", "typ": "JWT", "kid": "one", "unknown": "is ignored"}
    claims = {"iss": "a", "sub": "a", "aud": TOKEN, "exp": NOW + 60, "jti": "x"}
    signed = f"{_part(head)}.{_part(claims)}"
    r, s = decode_dss_signature(secret.sign(signed.encode(), ECDSA(SHA384())))
    raw = r.to_bytes(48, "big") + s.to_bytes(48, "big")
    text = f"{signed}.{base64.urlsafe_b64encode(raw).decode().rstrip('=')}"
    assertion = read_assertion(text, [TOKEN], NOW)
    assert _is_signed(assertion, ECKey.import_key(secret.public_key()))
    assert not _is_signed(assertion, ec_key())
