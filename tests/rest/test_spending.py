"""A Bundle of many reads is bounded as a whole, and is otherwise what its entries are alone.

OWASP API4:2023, unrestricted resource consumption: time, memory, and work for nobody.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import anyio
import httpx
import pytest

from service.app import create_app
from service.caller import ANONYMOUS
from service.errors import NoRoom, TooCostly
from service.rest import spending
from service.rest.call import Answer, Call
from service.rest.spending import Spending
from service.settings import Settings
from service.store.store import Store
from tests.contract.outcomes import refusal
from tests.factories.clinical import observation, patient
from tests.live import HYOID, free_port, started

Json = dict[str, Any]
BASE = "http://127.0.0.1:8000"


def _get(*urls: str) -> list[Json]:
    return [{"request": {"method": "GET", "url": url}} for url in urls]


def _put(resource: Json) -> Json:
    url = f"{resource['resourceType']}/{resource['id']}"
    return {"resource": resource, "request": {"method": "PUT", "url": url}}


def _bundle(*entries: Json, kind: str = "batch") -> Json:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def _statuses(answer: Json) -> list[str]:
    return [entry["response"]["status"][:3] for entry in answer["entry"]]


def _codes(answer: Json) -> set[str]:
    outcomes = [entry["response"].get("outcome") for entry in answer["entry"]]
    return {issue["code"] for outcome in outcomes if outcome for issue in outcome["issue"]}


def _size(told: Json) -> int:
    return len(json.dumps(told, separators=(",", ":")))


@contextmanager
def _posting(store: Store, **settings: Any) -> Iterator[Callable[..., httpx.Response]]:
    """An application with these settings, for one client with 30 values."""
    record = [patient("p"), *(observation(f"o{number}", "Patient/p") for number in range(30))]
    with store.write(ANONYMOUS) as unit:
        for each in record:
            unit.append(each, each["id"], f"{BASE}/fhir", method="PUT", current=None)
    url = store.database.url
    app = create_app(Settings(database=url, access="open", **settings))

    def ask(bundle: Json | None, address: str = "", **headers: str) -> httpx.Response:
        method = "POST" if bundle else "GET"

        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app)
            async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
                return await client.request(
                    method, f"/fhir/{address}", json=bundle, headers=headers
                )

        return anyio.run(once)

    yield ask
    app.fhir.service.store.database.close()


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_reads_together_are_what_they_are_alone(fhir: httpx.Client, name: str, kind: str) -> None:
    record = [patient(name), *(observation(f"{name}-{n}", f"Patient/{name}") for n in range(3))]
    fhir.post("", json=_bundle(*map(_put, record), kind="transaction")).raise_for_status()
    asked = [
        f"Patient/{name}",
        f"Observation/{name}-2",
        f"Observation?subject=Patient/{name}&_sort=_id&_count=2",
        f"Patient?_id={name}&_revinclude=Observation:subject",
        f"Patient/{name}/_history/1",
        f"Observation/{name}-1/_history",
        f"Patient/{name}/$everything?_type=Observation",
        *((f"Patient/{name}-none", "Patient?birthdate=bogus") if kind == "batch" else ()),
    ]
    together = fhir.post("", json=_bundle(*_get(*asked), kind=kind)).raise_for_status().json()
    for url, entry in zip(asked, together["entry"], strict=True):
        alone = fhir.get(url)
        assert entry["response"]["status"][:3] == str(alone.status_code)
        found = entry.get("resource") or entry["response"]["outcome"]
        assert found == alone.json()
        assert entry["response"].get("etag") == alone.headers.get("ETag")


def test_where_there_is_no_more_room_reads_are_refused_and_writes_done(store: Store) -> None:
    page = "Observation?_count=10"
    with _posting(store, max_answer=20_000) as post:
        one = _size(post(_bundle(*_get(page))).json()["entry"][0]["resource"])
        fit = 20_000 // one
        assert 0 < fit < 5
        asked = [*_get(*[page] * 9, "Observation/o1"), _put(patient("q")), *_get("Observation/o2")]
        answer = post(_bundle(*asked)).json()
        expected = ["200"] * fit + ["400"] * (10 - fit) + ["201", "400"]
        assert _statuses(answer) == expected
        assert _codes(answer) == {"too-costly"}
        assert _size(answer) < 20_000 + 12 * 1000
        whole = post(_bundle(*asked, kind="transaction"))
        assert whole.status_code == 400
        assert whole.json()["issue"][0]["code"] == "too-costly"
        assert whole.json()["issue"][0]["expression"][0].startswith("Bundle.entry[")
        assert _statuses(post(_bundle(*_get("Patient/q/_history"))).json()) == ["200"]
        assert post(_bundle(*_get("Patient/q"))).json()["entry"][0]["response"]["etag"] == 'W/"1"'


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_what_was_written_is_told_though_there_is_no_room_for_it(store: Store, kind: str) -> None:
    new = [_put(observation(f"n{number}", "Patient/p")) for number in range(30)]
    with _posting(store, max_answer=3000) as post:
        answer = post(_bundle(*new, kind=kind), Prefer="return=representation").json()
        assert _statuses(answer) == ["201"] * 30
        assert all("location" in entry["response"] for entry in answer["entry"])
        shown = [entry["resource"] for entry in answer["entry"] if "resource" in entry]
        assert 0 < len(shown) < 30
        assert sum(map(_size, shown)) <= 3000


def test_one_page_has_no_more_than_the_room(store: Store) -> None:
    with _posting(store, max_answer=5000) as ask:
        for url in (
            "Observation?_count=1000",
            "Patient?_revinclude=*",
            "Observation/$lastn?patient=p&code=maximum-tongue-pressure&max=100",
            "Observation/_history?_count=1000",
            "_history",
            "Patient/p/$everything",
            "Patient/p/$everything?bundle-type=transaction",
        ):
            refused = ask(None, url)
            assert (refused.status_code, refusal(refused)[0]["code"]) == (400, "too-costly"), url
            in_batch = ask(_bundle(*_get(url))).json()
            assert (_statuses(in_batch), _codes(in_batch)) == (["400"], {"too-costly"}), url
        url, seen = "Patient/p/$everything?_count=5", 0
        while url:
            page = ask(None, url).json()
            seen += len(page.get("entry", []))
            links = {link["relation"]: link["url"] for link in page["link"]}
            url = links.get("next", "").removeprefix(f"{BASE}/fhir/")
        assert seen == 31, "page by page the whole record is had"


def test_too_many_entries_are_refused(store: Store) -> None:
    with _posting(store, max_entries=3) as post:
        for kind in ("batch", "transaction"):
            assert post(_bundle(*_get(*["Patient/p"] * 3), kind=kind)).status_code == 200
            refused = post(_bundle(*_get(*["Patient/p"] * 4), kind=kind))
            assert refused.status_code == 413
            assert refused.json()["issue"][0]["expression"] == ["Bundle.entry"]


def test_all_reads_have_one_time_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    now, given = 0.0, []
    monkeypatch.setattr(spending.time, "monotonic", lambda: now)

    def opening(*, snapshot: bool, seconds: float, room: int) -> Any:
        given.append(seconds)

    def perform(asked: Call) -> Answer:
        nonlocal now
        asked.reading(snapshot=True)
        now += 4
        asked.reading(snapshot=True)
        return Answer(200)

    call = Call("GET", (), (), {}, b"", BASE, ANONYMOUS, opening)
    spent = Spending(Settings(read_seconds=10), call)
    for _ in range(3):
        spent.read(perform, call)
        now += 100  # What is written in between does not count.
    assert given == pytest.approx([10, 6, 6, 2, 2, 0.001])
    with pytest.raises(TooCostly):
        spent.read(perform, call)
    assert len(given) == 6


def test_once_there_is_no_room_nothing_more_is_looked_for() -> None:
    call = Call("GET", (), (), {}, b"", BASE, ANONYMOUS, lambda **_: None)  # type: ignore[arg-type, return-value]
    asked = 0

    def perform(_: Call) -> Answer:
        nonlocal asked
        asked += 1
        raise NoRoom

    spent = Spending(Settings(), call)
    for _ in range(3):
        with pytest.raises(TooCostly):
            spent.read(perform, call)
    assert asked == 1


def test_without_time_nothing_is_read_but_all_is_written(store: Store) -> None:
    with _posting(store, read_seconds=0) as post:
        answer = post(_bundle(*_get("Patient/p"), _put(patient("q")), _put(patient("r")))).json()
        assert _statuses(answer) == ["400", "201", "201"]
        assert _codes(answer) == {"too-costly"}


_SLOW = {
    "sqlite": "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 1000000)"
    " SELECT count(*) FROM n",
    "postgresql": "SELECT pg_sleep(0.3)",
}


def _write_and_read(store: Store, name: str, limited: str, *unlimited: str) -> None:
    with store.write(ANONYMOUS) as unit:
        unit.append(patient(name), name, f"{BASE}/fhir", method="PUT", current=None)
        with unit.reading(snapshot=True, seconds=0.05) as connection:
            connection.rows(limited)
        for sql in unlimited:
            unit.reader().rows(sql)


def test_a_transaction_that_reads_too_long_is_stopped(store: Store) -> None:
    slow = _SLOW[store.database.dialect]
    _write_and_read(store, "p", "SELECT 1", slow)
    assert store.read(ANONYMOUS, "Patient", "p")
    with pytest.raises(TooCostly):
        _write_and_read(store, "q", slow)
    with store.write(ANONYMOUS) as unit:
        assert unit.current("Patient", "q") is None


def test_who_has_gone_is_not_read_for(store: Store) -> None:
    app = create_app(Settings(database=store.database.url, access="open"))
    body = json.dumps(_bundle(*_get(*["Patient?_count=1"] * 500), _put(patient("p")))).encode()
    headers = [(b"host", b"127.0.0.1"), (b"content-type", b"application/fhir+json")]
    sent: list[Any] = []
    taken = 0

    async def receive() -> Any:
        nonlocal taken
        taken += 1
        if taken == 1:
            return {"type": "http.request", "body": body}
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/fhir",
        "raw_path": b"/fhir",
        "query_string": b"",
        "headers": headers,
        "scheme": "http",
        "client": ("127.0.0.1", 1),
    }
    anyio.run(app, scope, receive, send)
    told = json.loads(sent[1]["body"])
    assert _statuses(told)[-1] == "201", "what is to be stored is"
    assert _statuses(told).count("200") < 100
    app.fhir.service.store.database.close()


def test_memory_stays_small(tmp_path: Path) -> None:
    """300 times a megabyte is asked for in one request; a control asks for less than the room."""
    port, megabyte = free_port(), 1024 * 1024
    database = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    command = [*HYOID, "serve", "--port", str(port), "--database", database, "--access", "open"]
    with started(command, tmp_path, {"HYOID_MAX_ANSWER": str(4 * megabyte)}) as process:
        base = f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=f"{base}/fhir", timeout=30) as client:
            _until_ready(client, base)
            large = patient("large", text={"status": "additional", "div": _narrative(900_000)})
            client.put("/Patient/large", json=large).raise_for_status()
            few = client.post("/", json=_bundle(*_get(*["Patient/large"] * 3)))
            assert _statuses(few.json()) == ["200"] * 3
            before = _peak(process.pid)
            for url in ("Patient/large", "Patient?_id=large", "Patient/large/_history"):
                answer = client.post("/", json=_bundle(*_get(*[url] * 300)))
                assert len(answer.content) < 5 * megabyte
                assert _statuses(answer.json()) == ["200"] * 4 + ["400"] * 296
            assert _peak(process.pid) - before < 30 * megabyte


def _until_ready(client: httpx.Client, base: str) -> None:
    end = time.monotonic() + 30
    while time.monotonic() < end:
        try:
            if client.get(f"{base}/health/ready").status_code == 200:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.05)
    raise AssertionError("not ready")


def _narrative(size: int) -> str:
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{"x" * size}</div>'


def _peak(process: int) -> int:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))
