"""Does the service bear requests that no HTTP library would send?

RFC 9112 (HTTP/1.1): sizes, chunks, targets, hosts, repeated headers, broken connections.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator

import httpx
import pytest

from service.settings import Settings
from tests.contract.outcomes import refusal
from tests.factories.clinical import patient

pytestmark = pytest.mark.usefixtures("stored")

LIMIT, MOST = Settings().max_body, Settings().max_entries
JSON = {"Content-Type": "application/fhir+json"}
Ask = Callable[[bytes], httpx.Response]


@pytest.fixture
def ask(service_url: str) -> Ask:
    """Send these bytes to the service and read its answer until it closes the connection."""
    url = httpx.URL(service_url)

    def send(raw: bytes) -> httpx.Response:
        with socket.create_connection((url.host, url.port or 80), timeout=10) as connection:
            connection.sendall(raw)
            told = b"".join(iter(lambda: connection.recv(65536), b""))
        head, _, body = told.partition(b"\r\n\r\n")
        status, *lines = head.decode("latin-1").split("\r\n")
        headers = [
            (name, value.strip()) for name, _, value in (line.partition(":") for line in lines)
        ]
        return httpx.Response(int(status.split()[1]), headers=headers, content=body)

    return send


def _request(start: str, *headers: str, host: str = "127.0.0.1", body: bytes = b"") -> bytes:
    lines = [start, f"Host: {host}", "Connection: close", *headers]
    return "\r\n".join([*lines, "", ""]).encode("latin-1") + body


def _chunks(size: int) -> Iterator[bytes]:
    for _ in range(size // 65536 + 1):
        yield b" " * 65536


@pytest.mark.parametrize("address", ["Patient", "", "Patient/$validate", "Patient/_search"])
def test_too_large_a_body_is_refused(
    address: str, fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    for body in (b" " * (LIMIT + 1), _chunks(LIMIT + 1)):
        answer = fhir.post(address, content=body, headers=JSON)
        assert answer.status_code == 413
        assert refusal(answer)[0]["code"] == "too-long"
    assert last_change() == before


def test_too_many_entries_are_refused_whatever_they_ask(
    fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    entry = {"resource": patient(), "request": {"method": "POST", "url": "Patient"}}
    for kind in ("batch", "transaction"):
        bundle = {"resourceType": "Bundle", "type": kind, "entry": [entry] * (MOST + 1)}
        answer = fhir.post("", json=bundle)
        assert answer.status_code == 413
        assert refusal(answer)[0]["expression"] == ["Bundle.entry"]
    assert last_change() == before


def test_a_declared_size_is_refused_before_the_body_comes(ask: Ask) -> None:
    answer = ask(_request("POST /fhir/Patient HTTP/1.1", f"Content-Length: {10**15}"))
    assert answer.status_code == 413
    assert refusal(answer)[0]["code"] == "too-long"


@pytest.mark.parametrize(
    "host", ["", "a b", 'x"><script>', "a/b", "a,b", "é", "a\tb", "[::1", "a:b", "a@b", "]", ":80"]
)
@pytest.mark.parametrize("address", ["Patient", "metadata", "Patient/there"])
def test_a_host_that_cannot_be_read_is_refused(host: str, address: str, ask: Ask) -> None:
    answer = ask(_request(f"GET /fhir/{address} HTTP/1.1", host=host))
    assert answer.status_code in (400, 403)
    assert refusal(answer)[0]["location"] == ["http.Host"]


@pytest.mark.parametrize("host", ["127.0.0.1:123456", "localhost:", "localhost/x", "localhost:x"])
def test_a_host_of_ours_that_cannot_be_read_is_refused(host: str, ask: Ask) -> None:
    answer = ask(_request("GET /fhir/Patient HTTP/1.1", host=host))
    assert answer.status_code == 400
    assert refusal(answer)[0]["location"] == ["http.Host"]


@pytest.mark.parametrize("host", ["localhost", "a.localhost:8080", "127.0.0.1", "[::1]:80"])
def test_links_lead_to_the_host_that_was_asked(host: str, ask: Ask) -> None:
    answer = ask(_request("GET /fhir/Patient?_count=0 HTTP/1.1", host=host))
    assert answer.json()["link"][0]["url"] == f"http://{host}/fhir/Patient?_count=0"


def test_two_hosts_are_refused(ask: Ask) -> None:
    answer = ask(_request("GET /fhir/Patient HTTP/1.1", "Host: localhost"))
    assert answer.status_code in (400, 403)
    assert refusal(answer)[0]["location"] == ["http.Host"]


def test_no_host_is_refused(ask: Ask) -> None:
    answer = ask(b"GET /fhir/Patient HTTP/1.0\r\n\r\n")
    assert answer.status_code in (400, 403)
    assert refusal(answer)


def test_a_header_that_is_repeated_is_a_list(ask: Ask) -> None:
    start = "GET /fhir/Patient/there HTTP/1.1"
    either = _request(start, "Accept: text/html", "Accept: application/fhir+json")
    assert ask(either).status_code == 200
    assert ask(_request(start, "Accept: text/html", "Accept: text/plain")).status_code == 406
    tag = ask(_request(start)).headers["ETag"]
    match = _request(start, 'If-None-Match: W/"0"', f"If-None-Match: {tag}", 'If-None-Match: "x"')
    assert ask(match).status_code == 304
    body = b'{"resourceType":"Patient"}'
    types = ("Content-Type: application/fhir+json", "Content-Type: application/fhir+xml")
    length = f"Content-Length: {len(body)}"
    answer = ask(_request("POST /fhir/Patient HTTP/1.1", *types, length, body=body))
    assert answer.status_code == 415


@pytest.mark.parametrize(
    ("target", "status"),
    [
        ("/fhir/../health/live", 400),
        ("/fhir/Patient/../Patient/there", 400),
        ("/fhir/Patient/./there", 400),
        ("/%66hir/Patient/there", 404),
        ("/fhir%2FPatient/there", 404),
        ("/fhir/Patient%2Fthere", 404),
        ("/fhir/Patient/there%20", 404),
        ("http://other.example/fhir/Patient/there", 200),
        ("/fhir/Patient/there?", 200),
        ("/fhir/Patient/there/", 200),
        ("/fhir/Patient/%74here", 200),
    ],
)
def test_targets_are_read_as_they_are_written(target: str, status: int, ask: Ask) -> None:
    answer = ask(_request(f"GET {target} HTTP/1.1"))
    assert answer.status_code == status
    if status >= 400:
        assert refusal(answer)


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\r\n\r\n",
        b"hello\r\n\r\n",
        b"GET\r\n\r\n",
        b"GET /fhir/Patient\r\n\r\n",
        b"GET /fhir/Patient HTTP/9.9\r\n\r\n",
        b"get /fhir/Patient HTTP/1.1\r\nHost: a\r\n\r\n",
        b"GET /fhir/\xc3\xa9 HTTP/1.1\r\nHost: a\r\n\r\n",
        b"GET /fhir/Patient HTTP/1.1\r\nHost: a\r\n bad\r\n\r\n",
        b"POST /fhir/Patient HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n",
        b"POST /fhir HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n{}",
        b"POST /fhir/Patient HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\nZZ\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    ],
    ids=lambda raw: raw[:40].decode("latin-1").strip() or "nothing",
)
def test_what_is_no_http_stores_nothing_and_ends(
    raw: bytes, service_url: str, fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    url = httpx.URL(service_url)
    with socket.create_connection((url.host, url.port or 80), timeout=10) as connection:
        connection.sendall(raw)
        connection.shutdown(socket.SHUT_WR)
        told = b"".join(iter(lambda: connection.recv(65536), b""))
    assert not told or told.split()[1].startswith(b"4")
    assert last_change() == before
    assert fhir.get("Patient/there").status_code == 200


def test_a_body_that_is_cut_off_stores_nothing(
    service_url: str, fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    url = httpx.URL(service_url)
    body = b'{"resourceType":"Patient"}'
    for headers, sent in (
        (("Content-Length: 27",), body),
        (("Transfer-Encoding: chunked",), b"1a\r\n" + body + b"\r\n"),
    ):
        with socket.create_connection((url.host, url.port or 80), timeout=10) as connection:
            connection.sendall(_request("POST /fhir/Patient HTTP/1.1", *headers, body=sent))
    assert fhir.get("Patient/there").status_code == 200
    assert last_change() == before


def test_requests_sent_at_once_are_answered_in_order(service_url: str) -> None:
    url = httpx.URL(service_url)
    wanted = {
        "Patient/there": b"200",
        "Patient/gone": b"410",
        "Nothing": b"404",
        "metadata": b"200",
    }
    asked = [_request(f"GET /fhir/{address} HTTP/1.1") for address in wanted]
    raw = b"".join(asked[:-1]).replace(b"Connection: close", b"X: y") + asked[-1]
    with socket.create_connection((url.host, url.port or 80), timeout=10) as connection:
        connection.sendall(raw)
        told = b"".join(iter(lambda: connection.recv(65536), b""))
    statuses = [part.split()[0] for part in told.split(b"HTTP/1.1")[1:]]
    assert statuses == list(wanted.values())


def test_an_answer_without_body_has_none(ask: Ask) -> None:
    for method, target, status in (
        ("HEAD", "/fhir/Patient/there", 200),
        ("HEAD", "/fhir/Patient/never-there", 404),
        ("HEAD", "/fhir/Patient", 200),
        ("DELETE", "/fhir/Patient/never-there", 204),
    ):
        answer = ask(_request(f"{method} {target} HTTP/1.1"))
        assert answer.status_code == status
        assert not answer.content


def test_the_same_request_through_a_library(fhir: httpx.Client) -> None:
    """A control for the raw ones above."""
    assert fhir.post("Patient", json=patient()).status_code == 201
