"""How is a system's key set fetched without being led elsewhere?

Only the registered URL, over https (plain http on loopback only), without redirects, proxies or
cookies, within a time and a size. The name is looked up once and the connection goes to the
address that was looked at, so that a name cannot lead to one address when it is checked and to
another when it is used (OWASP API Security 2023, API7, server-side request forgery).
"""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

import httpx

from service.access.client_keys import MOST_BYTES

SECONDS = 5.0
"""For the whole fetch."""
LIFETIME = 300
"""Seconds that a set is kept where the system does not say."""
LONGEST_LIFETIME = 3600
SHORTEST_LIFETIME = 1
"""Cache-Control counts in whole seconds: who asks within one gets the same answer."""

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

_MAX_AGE = re.compile(r"(?:^|[\s,])max-age\s*=\s*\"?(\d{1,9})", re.IGNORECASE)
_UNKEPT = re.compile(r"(?:^|[\s,])no-(?:store|cache)", re.IGNORECASE)


class FetchError(Exception):
    """The key set could not be had; the text is for the keeper of the service."""


@dataclass(frozen=True, slots=True)
class Fetched:
    """What was fetched, and for how many seconds it may be used."""

    body: bytes
    lifetime: int


def networks_in(text: str) -> tuple[Network, ...]:
    """Networks divided by commas. Raises ValueError for what is none."""
    return tuple(ip_network(part.strip()) for part in text.split(",") if part.strip())


def required_url(url: str) -> httpx.URL:
    """The URL of a key set, if such a one is ever asked. Raises ValueError."""
    try:
        parsed = httpx.URL(url)
    except (httpx.InvalidURL, TypeError):
        raise ValueError("not a URL") from None
    if parsed.scheme not in ("https", "http") or not parsed.host or len(url) > 2000:
        raise ValueError("an https URL is needed")
    if parsed.userinfo or parsed.fragment:
        raise ValueError("a URL without user name and fragment is needed")
    if parsed.scheme == "http" and not _is_loopback(parsed.host):
        raise ValueError("an https URL is needed; plain http only on loopback")
    return parsed


def fetch(url: str, networks: Iterable[Network] = ()) -> Fetched:
    """GET the key set. Raises FetchError.

    Addresses that are not public are refused, unless they lie in `networks` or the URL itself
    names loopback. SSL_CERT_FILE names other certificate authorities.
    """
    return ask("GET", url, networks)


def ask(
    method: str,
    url: str,
    networks: Iterable[Network] = (),
    form: Mapping[str, str] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Fetched:
    """The same with any method, a form and headers more. Raises FetchError."""
    try:
        parsed = required_url(url)
    except ValueError as error:
        raise FetchError(str(error)) from None
    address = _checked_address(parsed, tuple(networks))
    end = time.monotonic() + SECONDS
    sent = {
        **(headers or {}),
        "Accept": "application/json",
        "Host": parsed.netloc.decode("ascii"),
    }
    try:
        with (
            httpx.Client(
                verify=httpx.create_ssl_context(),
                timeout=SECONDS,
                trust_env=False,
                follow_redirects=False,
            ) as http,
            http.stream(
                method,
                parsed.copy_with(host=str(address)),
                data=form,
                headers=sent,
                extensions={"sni_hostname": parsed.host},
            ) as answer,
        ):
            if answer.status_code != 200:
                raise FetchError(f"answered {answer.status_code}")
            return Fetched(_body(answer, end), _lifetime(answer.headers))
    except httpx.HTTPError as error:
        raise FetchError(f"{type(error).__name__}: {error}") from None


def _checked_address(url: httpx.URL, networks: tuple[Network, ...]) -> Address:
    port = url.port or {"https": 443, "http": 80}[url.scheme]
    try:
        found = socket.getaddrinfo(url.host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise FetchError("the name is not known") from None
    addresses = [ip_address(str(sockaddr[0]).partition("%")[0]) for *_, sockaddr in found]
    for address in addresses:
        if not _may_be_asked(address, url.host, networks):
            raise FetchError(f"{address} is not public; HYOID_JWKS_NETWORKS may allow it")
    return addresses[0]


def _may_be_asked(address: Address, host: str, networks: tuple[Network, ...]) -> bool:
    if isinstance(address, IPv6Address) and address.ipv4_mapped:
        address = address.ipv4_mapped
    if any(address in network for network in networks):
        return True
    if address.is_loopback:
        return _is_loopback(host)
    return address.is_global and not address.is_multicast


def _is_loopback(host: str) -> bool:
    if host == "localhost" or host.endswith(".localhost"):
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _body(answer: httpx.Response, end: float) -> bytes:
    chunks, size = [], 0
    for chunk in answer.iter_bytes():
        size += len(chunk)
        if size > MOST_BYTES:
            raise FetchError(f"larger than {MOST_BYTES} bytes")
        if time.monotonic() > end:
            raise FetchError(f"took longer than {SECONDS:.0f} seconds")
        chunks.append(chunk)
    return b"".join(chunks)


def _lifetime(headers: httpx.Headers) -> int:
    told = headers.get("cache-control", "")
    if _UNKEPT.search(told):
        return SHORTEST_LIFETIME
    found = _MAX_AGE.search(told)
    if found is None:
        return LIFETIME
    age = headers.get("age", "0")
    left = int(found[1]) - (int(age) if age.isdecimal() and len(age) < 10 else 0)
    return max(SHORTEST_LIFETIME, min(left, LONGEST_LIFETIME))
