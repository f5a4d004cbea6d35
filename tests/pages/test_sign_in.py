"""The sign-in page of a live service: cookies, cross-site requests, links, who sees what."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest

from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.access.identity_provider import CLIENT, SECRET, IdentityProvider
from tests.access.test_openid import PEOPLE, ROBIN
from tests.access.visitors import PASSPHRASE, added
from tests.factories.clinical import patient
from tests.live import HYOID, free_port, hyoid, running
from tests.store.keeping import put


@contextmanager
def _service(url: str, **settings: str) -> Iterator[str]:
    port = free_port()
    with pytest.MonkeyPatch.context() as patch:
        command = [*HYOID, "serve", "--port", str(port), "--database", url]
        named = [f"HYOID_{name.upper()}={value}" for name, value in settings.items()]
        patch.setenv("PYTHONWARNINGS", "error")
        with running(["env", *named, *command], port) as base:
            yield base


@pytest.fixture(scope="module")
def provider() -> Iterator[IdentityProvider]:
    provider = IdentityProvider()
    yield provider
    provider.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("people")


@pytest.fixture(scope="module")
def url(folder: Path) -> str:
    """A store with people, and a client who is of one of two teams."""
    found = f"sqlite:///{folder / 'store.sqlite3'}"
    database = Database(found)
    migrate(database)
    store = Store(database)
    put(store, ROBIN)
    put(store, patient("ada") | {"id": "ada"})
    added(database, name="Robin <b>Vale</b>")
    added(database, "tess", tied=frozenset({"CareTeam/none"}))
    added(database, "rea", role="reader")
    added(database, "slow")
    database.close()
    return found


@pytest.fixture(scope="module")
def base(url: str, folder: Path, provider: IdentityProvider) -> Iterator[str]:
    table = folder / "people.json"
    table.write_text(json.dumps(PEOPLE))
    secret = folder / "secret"
    secret.touch(0o600)
    secret.write_text(SECRET + "\n")
    with _service(
        url,
        oidc_issuer=provider.issuer,
        oidc_client_id=CLIENT,
        oidc_client_secret_file=str(secret),
        oidc_people=str(table),
    ) as base:
        yield base


@pytest.fixture
def browser(base: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=base, headers={"Origin": base}) as client:
        yield client


def _sign_in(browser: httpx.Client, login: str = "robin", **form: str) -> httpx.Response:
    return browser.post("/access/sign-in", data={"login": login, "passphrase": PASSPHRASE, **form})


def test_the_page(browser: httpx.Client) -> None:
    page = browser.get("/access/sign-in?next=/fhir/Patient")
    policy = page.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "form-action 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert page.headers["Cache-Control"] == "no-store"
    assert not re.search(r"<script|<link|\bsrc=|@import|url\(|style=|\bon\w+=", page.text)
    assert 'name="next" value="/fhir/Patient"' in page.text
    assert 'autocomplete="current-password"' in page.text
    assert "hyoid" not in browser.cookies


def test_signed_in_the_browser_reads(browser: httpx.Client) -> None:
    assert browser.get("/fhir/Patient/ada").status_code == 401
    answer = _sign_in(browser, next="/fhir/Patient?_elements=name")
    assert answer.status_code == 303
    assert answer.headers["Location"] == "/fhir/Patient?_elements=name"
    session, known = answer.headers.get_list("Set-Cookie")
    assert re.fullmatch(r"hyoid=[\w-]{43}; Path=/; Max-Age=43200; HttpOnly; SameSite=Lax", session)
    attributes = r"Path=/; Max-Age=15552000; HttpOnly; SameSite=Lax"
    assert re.fullmatch(rf"hyoid-browser=[\w-]{{43}}; {attributes}", known)
    assert browser.get("/fhir/Patient/ada").status_code == 200
    assert browser.get("/fhir/AuditEvent").status_code == 403
    home = browser.get("/").text
    assert "Robin &lt;b&gt;Vale&lt;/b&gt;" in home
    token = browser.cookies["hyoid"]
    out = browser.post("/access/sign-out")
    assert out.status_code == 303
    assert "Max-Age=0" in out.headers["Set-Cookie"]
    assert "hyoid" not in browser.cookies
    kept = {"Cookie": f"hyoid={token}"}
    assert browser.get("/fhir/Patient/ada", headers=kept).status_code == 401
    assert 'href="access/sign-in"' in browser.get("/").text


def test_the_home_page_of_an_open_service_says_nothing_of_it(live_service: str) -> None:
    page = httpx.get(live_service).text
    assert "ign in" not in page
    assert "fhir/metadata" in page


@pytest.mark.parametrize(
    ("login", "read", "written"), [("robin", 200, 201), ("rea", 200, 403), ("tess", 404, 403)]
)
def test_who_may_what(login: str, read: int, written: int, browser: httpx.Client) -> None:
    assert _sign_in(browser, login).status_code == 303
    assert browser.get("/fhir/Patient/ada").status_code == read
    assert browser.post("/fhir/Patient", json=patient(login)).status_code == written


def test_the_intake_takes_the_cookie(browser: httpx.Client) -> None:
    _sign_in(browser)
    assert browser.post("/intake/sessions", json={}).status_code not in (401, 403)
    cross = {"Origin": "https://evil.example"}
    assert browser.post("/intake/sessions", json={}, headers=cross).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": ""},
    ],
)
def test_what_another_site_makes_the_browser_ask(
    headers: dict[str, str], browser: httpx.Client
) -> None:
    # Login CSRF: nobody is signed in as somebody else.
    answer = browser.post(
        "/access/sign-in", data={"login": "robin", "passphrase": PASSPHRASE}, headers=headers
    )
    assert (answer.status_code, "Set-Cookie" in answer.headers) == (403, False)
    _sign_in(browser)
    for method, address in (
        ("POST", "/fhir/Patient"),
        ("PUT", "/fhir/Patient/ada"),
        ("PATCH", "/fhir/Patient/ada"),
        ("DELETE", "/fhir/Patient/ada"),
        ("POST", "/fhir"),
        ("POST", "/fhir/Patient/_search"),
        ("POST", "/fhir/Patient/ada/$everything"),
        ("POST", "/access/sign-out"),
    ):
        answer = browser.request(method, address, headers=headers)
        assert answer.status_code == 403, address
    # A link from elsewhere may lead here.
    assert browser.get("/fhir/Patient/ada", headers=headers).status_code == 200


def test_a_cookie_does_not_help_a_header_that_is_wrong(browser: httpx.Client) -> None:
    _sign_in(browser)
    for wrong in ("Bearer x", "Basic YTpi", "Bearer"):
        headers = {"Authorization": wrong}
        assert browser.get("/fhir/Patient/ada", headers=headers).status_code == 401


@pytest.mark.parametrize(
    "target", ["https://evil.example", "//evil.example", "/\\evil.example", "javascript:1", "/\t/e"]
)
def test_hostile_targets_lead_to_the_first_page(target: str, browser: httpx.Client) -> None:
    assert _sign_in(browser, next=target).headers["Location"] == "/"
    fresh = httpx.get(f"{browser.base_url}/access/sign-in", params={"next": target})
    assert 'name="next" value=""' in fresh.text


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"{}", "application/json", 400),
        (b"login=a&login=b", "application/x-www-form-urlencoded", 400),
        (b"login=%ff", "application/x-www-form-urlencoded", 400),
        (b"\xff", "application/x-www-form-urlencoded", 400),
        (b"a" * 20_000, "application/x-www-form-urlencoded", 413),
        (b"", "application/x-www-form-urlencoded", 401),
        (b"login=%00&passphrase=%00", "application/x-www-form-urlencoded", 401),
        (b"link=%00", "application/x-www-form-urlencoded", 401),
    ],
)
def test_forms_that_are_none(content: bytes, kind: str, status: int, browser: httpx.Client) -> None:
    answer = browser.post("/access/sign-in", content=content, headers={"Content-Type": kind})
    assert answer.status_code == status
    assert answer.headers["Content-Type"].startswith("text/html")


def test_failures_are_told_with_when_to_come_again(browser: httpx.Client) -> None:
    for _ in range(5):
        answer = _sign_in(browser, "slow", passphrase="wrong <i>passphrase</i>")
        assert answer.status_code == 401
        assert "passphrase&lt;" not in answer.text
        assert "<i>" not in answer.text
    answer = _sign_in(browser, "slow")
    assert answer.status_code == 429
    assert 1 <= int(answer.headers["Retry-After"]) <= 30
    # Others sign in all the same.
    assert _sign_in(browser).status_code == 303


def test_a_browser_in_which_somebody_signed_in_is_known(browser: httpx.Client, url: str) -> None:
    database = Database(url)
    added(database, "busy")
    database.close()
    _sign_in(browser, "busy")
    known = {"Cookie": f"hyoid-browser={browser.cookies['hyoid-browser']}"}
    browser.cookies.clear()
    for _ in range(5):
        _sign_in(browser, "busy", passphrase="what somebody else guesses")
    assert _sign_in(browser, "busy").status_code == 429
    read = browser.get("/fhir/Patient/ada", headers=known)
    assert read.status_code == 401, "it signs nobody in"
    form = {"login": "busy", "passphrase": PASSPHRASE}
    assert browser.post("/access/sign-in", data=form, headers=known).status_code == 303
    assert f"hyoid-browser={browser.cookies['hyoid-browser']}" == known["Cookie"]


def test_a_link_from_the_keeper(browser: httpx.Client, url: str) -> None:
    port = str(browser.base_url.port)
    told = hyoid("person", "link", "robin", "--port", port, "--database", url)
    link = urlsplit(told.stdout.splitlines()[0])
    page = browser.get(f"{link.path}?{link.query}")
    assert "Robin" in page.text or "robin" in page.text
    assert "hyoid" not in browser.cookies
    form = {"link": link.query.removeprefix("link=")}
    away = browser.post("/access/sign-in", data=form, headers={"X-Forwarded-For": "192.0.2.7"})
    assert away.status_code == 403
    named = {"Host": "records.example", "Origin": "http://records.example"}
    assert browser.post("/access/sign-in", data=form, headers=named).status_code == 403
    assert browser.post("/access/sign-in", data=form).status_code == 303
    assert browser.get("/fhir/Patient/ada").status_code == 200
    assert browser.post("/access/sign-in", data=form).status_code == 401


def test_a_disabled_person_is_signed_out(browser: httpx.Client, url: str) -> None:
    hyoid(
        *("person", "add", "gone", "--role", "reader", "--practitioner", "Practitioner/robin"),
        *("--database", url),
        stdin=f"{PASSPHRASE}\n{PASSPHRASE}\n",
    )
    _sign_in(browser, "gone")
    assert browser.get("/fhir/Patient/ada").status_code == 200
    # The command takes longer than the second after which it counts.
    hyoid("person", "disable", "gone", "--database", url)
    time.sleep(1)
    assert browser.get("/fhir/Patient/ada").status_code == 401


def test_signing_in_elsewhere(browser: httpx.Client, provider: IdentityProvider) -> None:
    assert (
        "openid/start?next=%2Ffhir%2FPatient"
        in browser.get("/access/sign-in?next=/fhir/Patient").text
    )
    start = browser.get("/access/openid/start?next=/fhir/Patient")
    assert re.search("HttpOnly; SameSite=Lax", start.headers["Set-Cookie"])
    back = provider.redirect(start.headers["Location"])
    assert back.startswith(f"{browser.base_url}/access/openid/callback?")
    # Not in another browser.
    assert httpx.get(back).status_code == 401
    start = browser.get("/access/openid/start?next=/fhir/Patient")
    back = provider.redirect(start.headers["Location"])
    answer = browser.get(back)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/fhir/Patient")
    assert "Robin V" in browser.get("/").text
    assert browser.get("/fhir/Patient/ada").status_code == 200
    assert browser.get(back).status_code == 401
    assert browser.get("/access/openid/callback?state=a&state=b").status_code == 400
    # And a token of the provider at the API.
    token = provider.access_token(f"{browser.base_url}/fhir")
    bearer = {"Authorization": f"Bearer {token}"}
    assert httpx.get(f"{browser.base_url}/fhir/Patient/ada", headers=bearer).status_code == 200


def test_unknown_people_of_the_provider_get_a_page(
    browser: httpx.Client, provider: IdentityProvider
) -> None:
    before = provider.claims
    provider.claims = before | {"groups": []}
    start = browser.get("/access/openid/start")
    answer = browser.get(provider.redirect(start.headers["Location"]))
    provider.claims = before
    assert answer.status_code == 403
    assert "keeper of the service" in answer.text
    assert "hyoid" not in browser.cookies


def test_sign_ins_are_on_record(browser: httpx.Client, url: str) -> None:
    _sign_in(browser)
    browser.post("/access/sign-out")
    end = time.monotonic() + 20
    found: set[str] = set()
    while time.monotonic() < end and not {"login", "logout"} <= found:
        database = Database(url)
        with database.reader() as connection:
            rows = connection.rows("SELECT body FROM audit_event")
        database.close()
        told = [json.loads(row[0]) for row in rows]
        found = {each["interaction"] for each in told if each["agent"] == "robin"}
        time.sleep(0.2)
    assert {"login", "logout"} <= found
    assert PASSPHRASE not in repr(told)


def test_behind_https_the_cookie_is_of_this_host_alone(
    url: str, provider: IdentityProvider
) -> None:
    with _service(url, base_url="https://records.example/clinic/fhir") as base:
        origin = {"Origin": "https://records.example", "X-Forwarded-Proto": "https"}
        answer = httpx.post(
            f"{base}/access/sign-in",
            data={"login": "robin", "passphrase": PASSPHRASE},
            headers=origin,
        )
        assert answer.headers["Location"] == "/clinic/"
        session, known = answer.headers.get_list("Set-Cookie")
        attributes = r"HttpOnly; SameSite=Lax; Secure"
        assert re.fullmatch(
            rf"__Host-hyoid=[\w-]{{43}}; Path=/; Max-Age=43200; {attributes}", session
        )
        assert re.fullmatch(
            rf"__Host-hyoid-browser=[\w-]{{43}}; Path=/; Max-Age=15552000; {attributes}", known
        )
        token = session.partition(";")[0].partition("=")[2]
        for name, status in (("__Host-hyoid", 200), ("hyoid", 401)):
            cookie = {"Cookie": f"{name}={token}"}
            assert httpx.get(f"{base}/fhir/Patient/ada", headers=cookie).status_code == status
        assert 'action="/clinic/access/sign-in"' in httpx.get(f"{base}/access/sign-in").text


def test_no_codes_are_given_to_apps(browser: httpx.Client) -> None:
    told = browser.get("/fhir/.well-known/smart-configuration").json()
    assert "authorization_endpoint" not in told
    assert told["grant_types_supported"] == ["client_credentials"]
