"""How does narrative become XHTML that every receiver can show?

R4, narrative page: paragraphs, lists and tables only, nothing that needs a style or runs. The tree
is built, never pasted together, so that what came from outside cannot be read as markup.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from lxml import etree
from lxml.builder import ElementMaker

XHTML = "http://www.w3.org/1999/xhtml"
NOTHING = "–"

Node = Any
"""An element of the tree."""

_MAKE = ElementMaker(namespace=XHTML, nsmap={None: XHTML})
_UNFIT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_MOST = 2_000
"""Characters of one text from outside; what is longer is cut, and says so."""


def paragraph(text: str, *, bold: bool = False) -> Node:
    """A paragraph."""
    return _MAKE.p(_MAKE.b(fit(text)) if bold else fit(text))


def listing(lines: Iterable[str]) -> list[Node]:
    """A list with bullets; nothing where there are no lines."""
    items = [_MAKE.li(fit(line)) for line in lines]
    return [_MAKE.ul(*items)] if items else []


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[Node]:
    """A table whose first column names the row; nothing where there are no rows."""
    body = [
        _MAKE.tr(
            *(
                _MAKE.th(fit(cell), scope="row") if place == 0 else _MAKE.td(fit(cell))
                for place, cell in enumerate(row)
            )
        )
        for row in rows
    ]
    if not body:
        return []
    head = _MAKE.tr(*(_MAKE.th(fit(text), scope="col") for text in heads))
    return [_MAKE.table(_MAKE.caption(fit(caption)), _MAKE.thead(head), _MAKE.tbody(*body))]


def pairs(caption: str, rows: Iterable[tuple[str, str]]) -> list[Node]:
    """A table of two columns, what it is and what it says; empty ones left out."""
    body = [
        _MAKE.tr(_MAKE.th(fit(name), scope="row"), _MAKE.td(fit(text)))
        for name, text in rows
        if text
    ]
    return [_MAKE.table(_MAKE.caption(fit(caption)), _MAKE.tbody(*body))] if body else []


def narrative(nodes: Sequence[Node]) -> str:
    """The `div` of a Narrative."""
    root = _MAKE.div(*nodes, lang="en")
    return str(etree.tostring(root, encoding="unicode"))


def fit(text: str) -> str:
    """Text that XML may hold, never empty, and not without end."""
    kept = _UNFIT.sub("\ufffd", text).strip()
    if len(kept) > _MOST:
        kept = f"{kept[:_MOST]} … (cut; the whole text is in the record)"
    return kept or NOTHING
