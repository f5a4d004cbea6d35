"""The sign-in page in a real browser, which enforces policy, cookies and origins by itself."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.access.visitors import PASSPHRASE, added
from tests.factories.clinical import patient
from tests.live import running_service
from tests.pages.chromium import Page, page
from tests.store.keeping import put


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    path: Path = tmp_path_factory.mktemp("chromium") / "store.sqlite3"
    database = Database(f"sqlite:///{path}")
    migrate(database)
    added(database)
    put(Store(database), patient("ada") | {"id": "ada"})
    database.close()
    with running_service(f"sqlite:///{path}", access="smart") as found:
        yield found


@pytest.fixture
def browser() -> Iterator[Page]:
    with page() as found:
        yield found


@pytest.fixture
def evil(base: str) -> Iterator[str]:
    """Another site, whose page posts a form to this service."""
    form = (
        f'<form method="post" action="{base}/access/sign-in"><input name="login" value="robin">'
        f'<input name="passphrase" value="{PASSPHRASE}"><button>Win!</button></form>'
        f'<form method="post" action="{base}/access/sign-out"><button id="out">Win!</button></form>'
    ).encode()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(form)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    yield f"http://localhost:{server.server_address[1]}/"
    server.shutdown()
    server.server_close()


def _sign_in(browser: Page, base: str) -> None:
    browser.go(f"{base}/access/sign-in?next=/fhir/Patient/ada")
    browser.type("#login", "robin")
    browser.type("#passphrase", PASSPHRASE)
    browser.click("button")


def test_somebody_signs_in_and_out(browser: Page, base: str) -> None:
    _sign_in(browser, base)
    assert browser.tell("location.pathname") == "/fhir/Patient/ada"
    assert '"resourceType":"Patient"' in browser.tell("document.body.innerText")
    browser.go(base)
    assert "signed in as robin" in browser.tell("document.body.innerText")
    assert browser.tell("document.cookie") == ""
    browser.click("button")
    assert browser.tell("location.pathname") == "/access/sign-in"
    browser.go(f"{base}/fhir/Patient/ada")
    assert "access token" in browser.tell("document.body.innerText")


def test_the_policy_lets_its_own_style_through_and_no_other(browser: Page, base: str) -> None:
    browser.go(f"{base}/access/sign-in")
    told = "getComputedStyle(document.querySelector('button')).backgroundColor"
    assert browser.tell(told) in ("rgb(11, 94, 107)", "rgb(127, 208, 220)")
    browser.tell(
        "window.ran = false; const s = document.createElement('script');"
        " s.textContent = 'window.ran = true'; document.body.append(s)"
    )
    assert browser.tell("window.ran") is False


def test_another_site_signs_nobody_in_or_out(browser: Page, base: str, evil: str) -> None:
    browser.go(evil)
    browser.click("button")
    assert "Another site" in browser.tell("document.body.innerText")
    browser.go(base)
    assert "signed in" not in browser.tell("document.body.innerText")
    _sign_in(browser, base)
    browser.go(evil)
    browser.click("#out")
    assert "Another site" in browser.tell("document.body.innerText")
    browser.go(base)
    assert "signed in as robin" in browser.tell("document.body.innerText")
