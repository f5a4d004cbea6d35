"""The addresses outside of FHIR, described: the OpenAPI description as one page without scripts.

Nothing is loaded from outside, so it works where there is no way out, and under a strict policy.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import orjson
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markdown_it import MarkdownIt
from markupsafe import Markup

router = APIRouter(include_in_schema=False)

_METHODS = ("get", "post", "put", "patch", "delete")


@router.get("/docs", response_class=HTMLResponse)
def docs(request: Request) -> HTMLResponse:
    """Shows nothing of any client, so it is open to all."""
    return HTMLResponse(described(request.app.openapi()))


def described(openapi: dict[str, Any]) -> str:
    """An OpenAPI 3.1 description as HTML. Its texts are CommonMark without HTML, as it says."""
    operations = [
        {"method": method.upper(), "path": path, **operation}
        for path, item in openapi["paths"].items()
        for method, operation in item.items()
        if method in _METHODS
    ]
    page: str = _template().render(info=openapi["info"], operations=operations)
    return page


@cache
def _template() -> Any:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    markdown = MarkdownIt("commonmark", {"html": False})
    environment.filters["markdown"] = lambda text: Markup(markdown.render(text))
    environment.filters["shown"] = _shown
    return environment.get_template("docs.html")


def _shown(example: Any) -> str:
    """An example as somebody would type it."""
    if isinstance(example, str):
        return example
    return orjson.dumps(example, option=orjson.OPT_INDENT_2).decode()
