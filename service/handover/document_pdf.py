"""The same page on paper: PDF by WeasyPrint, an optional extra (`pip install hyoid[pdf]`).

Nothing is fetched: not from the network, not from a file.
"""

from __future__ import annotations

import importlib
from functools import cache
from typing import Any

from service.errors import NotAcceptable, TooCostly

MOST = 250_000
"""Characters of a page; to lay out more takes too long (24,000 take 1.3 s on the machine where it
was tried)."""


def pdf(page: str) -> bytes:
    """The page as PDF.

    Raises NotAcceptable where WeasyPrint or the libraries it needs are not installed, TooCostly
    where the page is too long.
    """
    library = _library()
    if library is None:
        raise NotAcceptable(
            "application/pdf is offered where the extra hyoid[pdf] (WeasyPrint) is installed; it is"
            " not. text/html prints the same page",
            location="http.Accept",
        )
    if len(page) > MOST:
        raise TooCostly("The document is too long for a PDF; ask for text/html and print it")
    nowhere = library.urls.URLFetcher(allowed_protocols=())
    made: bytes = library.HTML(string=page, url_fetcher=nowhere, media_type="print").write_pdf()
    return made


@cache
def _library() -> Any:
    """The module, or None."""
    try:
        importlib.import_module("weasyprint.urls")
        return importlib.import_module("weasyprint")
    except (ImportError, OSError):
        # OSError: Pango, which it draws text with, is missing.
        return None
