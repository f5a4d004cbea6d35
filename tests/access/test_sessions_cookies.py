"""Cookies: attributes of RFC 6265bis, cross-site requests refused, no way out by `next`."""

from __future__ import annotations

from urllib.parse import urljoin, urlsplit

import pytest

from service.access.sessions_cookies import cookies_at, safe_target
from service.errors import Forbidden

SECURE = cookies_at("https://records.example/fhir", "https://records.example/fhir")
PLAIN = cookies_at("http://127.0.0.1:8000/fhir", "")


def test_attributes() -> None:
    """RFC 6265bis, section 4.1.3.2: `__Host-` asks for Secure, Path=/ and no Domain."""
    told = SECURE.set(SECURE.session, "x", seconds=60, encrypted=True)
    assert told == "__Host-hyoid=x; Path=/; Max-Age=60; HttpOnly; SameSite=Lax; Secure"
    assert SECURE.set(SECURE.session, "x", seconds=0, encrypted=False).endswith("; Secure")
    assert PLAIN.set(PLAIN.session, "x", seconds=60, encrypted=False) == (
        "hyoid=x; Path=/; Max-Age=60; HttpOnly; SameSite=Lax"
    )
    assert PLAIN.set(PLAIN.session, "x", seconds=60, encrypted=True).endswith("; Secure")


def test_a_cookie_of_another_name_is_none() -> None:
    assert SECURE.token({"cookie": "a=b; __Host-hyoid=x"}) == "x"
    assert SECURE.token({"cookie": "hyoid=x"}) is None
    assert SECURE.token({"cookie": "__Host-hyoid-openid=x"}) is None
    assert SECURE.token({"cookie": "__Host-hyoid="}) is None
    assert PLAIN.token({"cookie": 'odd={"a": 1}; hyoid=x'}) == "x"
    assert PLAIN.token({}) is None
    assert PLAIN.token({"cookie": "hyoid=x; " + "a=b; " * 5000}) is None


HOST = {"host": "records.example"}


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "same-origin", **HOST},
        {"sec-fetch-site": "none", **HOST},
        {"origin": "https://records.example", **HOST},
        {"origin": "https://records.example", "host": "internal:8000"},
    ],
)
def test_own_pages_may_ask(headers: dict[str, str]) -> None:
    SECURE.require_own_page(headers)


@pytest.mark.parametrize(
    "headers",
    [
        HOST,
        {"sec-fetch-site": "cross-site", **HOST},
        {"sec-fetch-site": "same-site", **HOST},
        {"sec-fetch-site": "cross-site", "origin": "https://records.example", **HOST},
        {"sec-fetch-site": "", "origin": "https://evil.example", **HOST},
        {"origin": "null", **HOST},
        {"origin": "", **HOST},
        {"origin": "https://evil.example", **HOST},
        {"origin": "http://records.example", **HOST},
        {"origin": "https://records.example.evil.example", **HOST},
        {"origin": "https://[", **HOST},
        {"origin": "https://", "host": ""},
    ],
)
def test_other_sites_may_not(headers: dict[str, str]) -> None:
    with pytest.raises(Forbidden):
        SECURE.require_own_page(headers)


@pytest.mark.parametrize("target", ["/", "/fhir/Patient?name=a%20b", "/fhir/Patient/1#x"])
def test_a_path_of_ours(target: str) -> None:
    assert safe_target(target) == target


@pytest.mark.parametrize(
    "target",
    [
        "",
        "https://evil.example",
        "//evil.example",
        "///evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "/\t/evil.example",
        "/\n/evil.example",
        "javascript:alert(1)",
        "evil.example",
        "/a\\b",
        "/é",
        "/a\r\nSet-Cookie: a=b",
        "/" + "a" * 2000,
        " /a",
    ],
)
def test_hostile_targets(target: str) -> None:
    assert safe_target(target) == ""


def test_no_target_leads_away() -> None:
    for target in ("/", "/fhir", "/.//evil.example", "/..//evil.example", "/@evil.example", "/:80"):
        found = urlsplit(urljoin("https://records.example/access/sign-in", safe_target(target)))
        assert found.netloc == "records.example", target
