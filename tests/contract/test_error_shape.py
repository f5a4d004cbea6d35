"""Is every refusal below /fhir an OperationOutcome, whatever is asked wherever and however?

No answer is a 5xx, and no refusal stores anything. The tables of `test_bad_requests.py` look at
what single refusals say; here many are made by combination.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product

import httpx
import pytest

from tests.contract.addresses import METHODS, NOWHERE, addresses
from tests.contract.outcomes import refusal
from tests.factories.clinical import patient

pytestmark = pytest.mark.usefixtures("stored")

LONG = "x" * 8000
HEADERS = (
    *("Accept", "Authorization", "Content-Encoding", "Content-Type", "Expect", "Forwarded"),
    *("If-Match", "If-Modified-Since", "If-None-Exist", "If-None-Match", "Prefer", "Range"),
    *("Upgrade", "X-Forwarded-Proto", "X-Forwarded-Host"),
)
HEADER_VALUES = (
    *(b"", b",", b";", b"*", b'"', b'W/"1"', b"=", b"a=b;c", b"*/*;q=2", b"\xc3\xa9\xff"),
    *(b"application/fhir+xml", b"application/fhir+json;fhirVersion=x", b"json;charset=utf-16"),
    *(b"identifier=%00", b"a" * 8000, b'W/"1",' * 1000, b"../../etc/passwd", b"h2c", b"0"),
    *(b"return=everything; handling=often", b"Thu, 99 Foo 99999 99:99:99 GMT", b"-1"),
)
QUERIES = (
    *(
        "&",
        "=",
        "&&==",
        "%",
        "%zz=%zz",
        "%00=1",
        "a=%00",
        "a=%ff",
        "a=%ed%a0%80",
        "?",
        "#",
        "a[]=1",
    ),
    *("_format=xml", "_format=%00", "_pretty=x", "_pretty=", "_count=-1", "_count=x"),
    *("_count=" + "9" * 400, "_count=1e3", "_count=%D9%A1", "_page=-1", "_page=" + "9" * 400),
    *("_since=x", "_since=0000", "_since=9999-12-31T23:59:60%2B14:00", "_at=x", "_cursor=x"),
    *("_id=" + "a" * 65, "_id=,", "_lastUpdated=x", "_sort=x", "_summary=x", "_elements=x"),
    *("_include=x", "_revinclude=x", "_has=x", "_type=x", "_total=x", "_list=x", "_query=x"),
    *("_filter=x", "_text=x", "_content=x", "_contained=x", "code=" + "x" * 60_000),
    *("&".join(["a=b"] * 2000), "a" * 60_000, "a=b&" * 400, ".".join(["subject"] * 400) + "=x"),
    *("code:" + "x" * 8000 + "=x", "code:missing=x", "mode=x", "profile=x", "from=x", "max=x"),
    *("name:%01=x", "_sort=%01", "_has:%01=x", "_id:%01%02=x", "_include=%01", "_format=%01%1f"),
    "x=" + "%F0%9F%98%80" * 500,
)

REQUESTS = (("GET", "Patient/there"), ("POST", "Patient"), ("PUT", "Patient/there"))
READS = (
    *("", "metadata", "_history", "Patient/there", "Patient/there/_history", "Patient/there/*"),
    *("Observation", "Observation/$lastn", "CarePlan/there/$diff", "Patient/there/$everything"),
    "Patient/there/$validate",
)


@pytest.fixture(autouse=True)
def _still_alive(fhir: httpx.Client, service_url: str) -> Iterator[None]:
    yield
    assert fhir.get(service_url.removesuffix("fhir") + "health/ready").status_code == 200
    assert fhir.get("Patient/there").status_code == 200


def _judge(answer: httpx.Response, asked: str) -> None:
    """Fails where the answer is a fault, or a refusal of another form."""
    assert answer.status_code < 500, (asked, answer.text)
    if answer.status_code < 400:
        return
    if answer.request.method == "HEAD":
        assert answer.headers["Content-Type"] == "application/fhir+json", asked
        assert not answer.content, asked
    else:
        assert refusal(answer), asked


@pytest.mark.parametrize("method", METHODS)
def test_at_every_address(
    method: str, fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    for address in addresses():
        answer = fhir.request(method, address)
        _judge(answer, f"{method} {address}")
        if answer.status_code == 405:
            allowed = answer.headers["Allow"].split(", ")
            assert allowed, address
            assert method not in allowed, address
        else:
            assert "Allow" not in answer.headers, address
    assert last_change() == before


@pytest.mark.parametrize("address", NOWHERE, ids=lambda address: address[:40])
def test_nothing_is_found_where_nothing_is(address: str, fhir: httpx.Client) -> None:
    for method in ("GET", "POST", "PUT", "PATCH"):
        assert fhir.request(method, address).status_code in (400, 404, 405, 415), method


def test_what_allow_promises_is_not_refused_as_a_method(fhir: httpx.Client) -> None:
    for address in addresses():
        refused = fhir.request("PROPFIND", address)
        for method in refused.headers.get("Allow", "").split(", "):
            if method:
                assert fhir.request(method, address).status_code != 405, (method, address)


@pytest.mark.parametrize("header", HEADERS)
def test_with_any_value_in_a_header(
    header: str, fhir: httpx.Client, last_change: Callable[[], bytes]
) -> None:
    before = last_change()
    wrong = patient("there", gender="F")
    for value, (method, address) in product(HEADER_VALUES, REQUESTS):
        body = None if method == "GET" else wrong
        answer = fhir.request(method, address, json=body, headers={header.encode(): value})
        _judge(answer, f"{method} {header}: {value[:60]!r}")
        assert method == "GET" or answer.status_code >= 400
    assert last_change() == before


@pytest.mark.parametrize("query", QUERIES, ids=lambda query: f"{query[:30]} of {len(query)}")
def test_with_any_query(query: str, fhir: httpx.Client, last_change: Callable[[], bytes]) -> None:
    before = last_change()
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    for address in READS:
        _judge(fhir.get(f"{address}?{query}"), address)
    _judge(fhir.post("Observation/_search", content=query.encode(), headers=form), "a form")
    for method in ("PUT", "PATCH", "DELETE", "POST"):
        answer = fhir.request(method, f"Patient?{query}", json={"resourceType": "Observation"})
        _judge(answer, method)
        assert answer.status_code >= 400 or method == "DELETE"
    assert last_change() == before
