"""PDF: nothing is fetched, nothing lasts, and who lacks the library is told so.

What the processes beside the service do is tried on a stand-in for WeasyPrint, which starts fast
and fails as it is told; what WeasyPrint itself cannot bear, on WeasyPrint.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, HTTPServer
from io import BytesIO
from pathlib import Path
from typing import Any, ClassVar

import pytest

from service.errors import NotAcceptable, Throttled, TooCostly
from service.handover import document_pdf
from service.handover.document_page import safe


@pytest.fixture
def weasyprint() -> Any:
    try:
        import weasyprint
    except (ImportError, OSError):
        pytest.skip("WeasyPrint, or Pango which it draws with, is not installed")
    return weasyprint


_STAND_IN = """
import logging, os, signal
from . import urls

class HTML:
    def __init__(self, string, url_fetcher, media_type):
        self.page = string

    def write_pdf(self):
        if self.page == "endless":
            while True:
                pass
        if self.page == "large":
            return b"x" * (1 << 30)
        if self.page == "deep":
            return self.write_pdf_of(self.page)
        if self.page == "faulty":
            logging.getLogger("x").error(self.page)
            raise ValueError(self.page)
        if self.page == "killed":
            os.kill(os.getpid(), signal.SIGKILL)
        if self.page == "all killed":
            os.kill(os.getppid(), signal.SIGKILL)
            os._exit(0)
        if self.page == "secrets":
            return " ".join(name for name in os.environ if name.startswith("HYOID")).encode()
        return self.page.encode() * 100_000

    def write_pdf_of(self, page):
        return self.write_pdf_of(page)
"""


def _drawn_by(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, **limits: int
) -> document_pdf.Drawers:
    package = tmp_path / "weasyprint"
    package.mkdir()
    (package / "__init__.py").write_text(code)
    (package / "urls.py").write_text("class URLFetcher:\n    def __init__(self, **_): pass\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("HYOID_OIDC_CLIENT_SECRET", "secret")
    return document_pdf.Drawers(**limits)


@pytest.fixture
def standing_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[document_pdf.Drawers]:
    drawers = _drawn_by(
        _STAND_IN, tmp_path, monkeypatch, seconds=1, room=200 << 20, at_once=1, waiting=0
    )
    yield drawers
    drawers.close()


def test_without_the_library_it_is_not_acceptable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawers = _drawn_by("raise OSError('cannot load library')", tmp_path, monkeypatch)
    for _ in range(2):
        with pytest.raises(NotAcceptable, match=r"hyoid\[pdf\]"):
            document_pdf.pdf("<p>x</p>", drawers)


def test_what_goes_wrong_ends_in_a_refusal_and_the_next_page_is_drawn(
    standing_in: document_pdf.Drawers,
) -> None:
    for page, refusal in (
        ("endless", TooCostly),
        ("large", TooCostly),
        ("deep", TooCostly),
        ("killed", TooCostly),
        ("all killed", TooCostly),
        ("faulty", NotAcceptable),
    ):
        with pytest.raises(refusal, match="text/html"):
            document_pdf.pdf(page, standing_in)
        assert document_pdf.pdf("é", standing_in) == "é".encode() * 100_000


def test_the_log_tells_where_it_failed_and_quotes_nothing(
    standing_in: document_pdf.Drawers, capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(NotAcceptable):
        document_pdf.pdf("faulty", standing_in)
    logged = capfd.readouterr().err
    assert "in write_pdf" in logged
    assert "ValueError" in logged
    assert "faulty" not in logged


def test_it_learns_no_secrets(standing_in: document_pdf.Drawers) -> None:
    assert document_pdf.pdf("secrets", standing_in) == b""


def test_so_many_at_a_time(standing_in: document_pdf.Drawers) -> None:
    document_pdf.pdf("x", standing_in)
    with ThreadPoolExecutor(2) as threads:
        both = [threads.submit(document_pdf.pdf, "endless", standing_in) for _ in range(2)]
        assert {type(one.exception()) for one in both} == {TooCostly, Throttled}
    assert document_pdf.pdf("x", standing_in)


@pytest.mark.parametrize(
    "inside",
    [
        '<table><tr><td colspan="1000000">x</td></tr></table>',
        "<table>" + 100 * '<tr><td colspan="1000" rowspan="1000">x</td></tr>' + "</table>",
        '<table><tr><td colspan="0" rowspan="99999999999999999999">x</td></tr></table>',
        200 * "<div>" + "x" + 200 * "</div>",
        80 * "<table><tr><td>" + "x" + 80 * "</td></tr></table>",
    ],
    ids=["wide", "wide and high", "none and huge", "deep", "deep tables"],
)
def test_narratives_that_ask_for_much_are_drawn(weasyprint: Any, inside: str) -> None:
    page = safe(f'<div xmlns="http://www.w3.org/1999/xhtml">{inside}</div>')
    start = time.monotonic()
    assert document_pdf.pdf(page).startswith(b"%PDF")
    assert time.monotonic() - start < document_pdf.SECONDS / 2


class _Counting(BaseHTTPRequestHandler):
    asked: ClassVar[list[str]] = []

    def do_GET(self) -> None:
        self.asked.append(self.path)
        self.send_error(404)

    def log_message(self, *args: Any) -> None:
        pass


@pytest.fixture
def counting() -> Iterator[str]:
    _Counting.asked.clear()
    with HTTPServer(("127.0.0.1", 0), _Counting) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()


def test_nothing_is_fetched(weasyprint: Any, counting: str, tmp_path: Path) -> None:
    style = tmp_path / "style.css"
    style.write_text("p::after { content: 'FETCHED' }")
    page = (
        f'<html lang="en"><head><title>t</title><link rel="stylesheet" href="{counting}/a.css">'
        f'<link rel="stylesheet" href="{style.as_uri()}"></head>'
        f'<body><img alt="" src="{counting}/b.png"><p>text</p></body></html>'
    )
    made = document_pdf.pdf(page)
    pypdf = pytest.importorskip("pypdf")
    text = pypdf.PdfReader(BytesIO(made)).pages[0].extract_text()
    assert "text" in text
    assert "FETCHED" not in text
    assert _Counting.asked == []
    # The same page, left alone, does fetch.
    text = (
        pypdf.PdfReader(BytesIO(weasyprint.HTML(string=page).write_pdf())).pages[0].extract_text()
    )
    assert "FETCHED" in text
    assert set(_Counting.asked) == {"/a.css", "/b.png"}


@pytest.mark.parametrize(
    "page", ["x" * (document_pdf.MOST + 1), "<br>" * (document_pdf.MOST_ELEMENTS + 1)]
)
def test_too_long_a_page_is_refused_at_once(standing_in: document_pdf.Drawers, page: str) -> None:
    with pytest.raises(TooCostly, match="too long for"):
        document_pdf.pdf(page, standing_in)
