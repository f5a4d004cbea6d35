"""How does a template become a page that shows what it is given, and runs nothing?

Everything is escaped. The policy allows the page's own style, by its hash, and forms that go to
this service (Content Security Policy Level 3, section 2.3.1).
"""

from __future__ import annotations

import re
from base64 import b64encode
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


def page(name: str, status: int = 200, **shown: Any) -> HTMLResponse:
    """The template of this name beside this file, with what is to be shown."""
    text = _environment().get_template(name).render(**shown)
    # Without any referrer browsers tell no origin with a form either, and older ones nothing else
    # that says which page it came from.
    headers = {"Content-Security-Policy": policy_for(text), "Referrer-Policy": "same-origin"}
    return HTMLResponse(text, status, headers)


def policy_for(text: str) -> str:
    """The policy of a page: no scripts, no images, nothing from outside."""
    styles = " ".join(
        f"'sha256-{b64encode(sha256(style.encode()).digest()).decode()}'"
        for style in _STYLE.findall(text)
    )
    return (
        f"default-src 'none'; style-src {styles or repr('none')}; form-action 'self';"
        " base-uri 'none'; frame-ancestors 'none'"
    )


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
