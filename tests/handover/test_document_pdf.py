"""PDF: nothing is fetched, and who lacks the library is told so."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from io import BytesIO
from pathlib import Path
from typing import Any, ClassVar

import pytest

from service.errors import NotAcceptable, TooCostly
from service.handover import document_pdf


@pytest.fixture
def weasyprint() -> Any:
    try:
        import weasyprint
    except (ImportError, OSError):
        pytest.skip("WeasyPrint, or Pango which it draws with, is not installed")
    return weasyprint


def test_without_the_library_it_is_not_acceptable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(document_pdf, "_library", lambda: None)
    with pytest.raises(NotAcceptable, match=r"hyoid\[pdf\]"):
        document_pdf.pdf("<p>x</p>")


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


def test_too_long_a_page_is_refused(weasyprint: Any) -> None:
    with pytest.raises(TooCostly):
        document_pdf.pdf("x" * (document_pdf.MOST + 1))
