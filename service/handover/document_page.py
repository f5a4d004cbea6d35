"""How does a person read a document? One page of HTML that prints well, from the same Bundle.

In the order of R4 (documents page, section presentation): the subject's narrative, that of the
Composition, then each section's. Narratives may come from anybody: they are read as XML, and only
what text, lists and tables need is written again (nh3). The page fetches and runs nothing, and says
so to the browser in its Content-Security-Policy.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

import nh3
from lxml import etree

from service.handover.care_document.front import client_rows
from service.handover.care_document.markup import narrative, pairs
from service.handover.care_document.section import SECTIONS
from service.handover.care_document.words import (
    code_words,
    name_words,
    said,
    time_words,
)
from service.handover.document import Document

Resource = dict[str, Any]

_PARSER = etree.XMLParser(resolve_entities=False, load_dtd=False, no_network=True, huge_tree=False)
_TAGS = (
    {"div", "p", "br", "hr", "h1", "h2", "h3", "h4", "h5", "h6", "blockquote", "q", "address"}
    | {"pre", "em", "strong", "b", "i", "big", "small", "tt", "sub", "sup", "dfn", "code", "samp"}
    | {"kbd", "var", "cite", "abbr", "acronym", "bdo", "span", "ul", "ol", "li", "dl", "dt", "dd"}
    | {"table", "caption", "colgroup", "col", "thead", "tbody", "tfoot", "tr", "th", "td", "a"}
)
_ATTRIBUTES = {
    "*": {"title", "lang", "dir"},
    "a": {"href"},
    "td": {"rowspan", "colspan", "headers", "scope", "abbr"},
    "th": {"rowspan", "colspan", "headers", "scope", "abbr"},
    "ol": {"start", "type"},
}
_MOST_COLUMNS, _MOST_ROWS = 50, 1000
"""That one cell may span: more than a page has room for, and few enough to lay out."""
_SCHEMES = {"http", "https", "mailto", "tel"}
_STATES = {
    "preliminary": "Preliminary: no therapist has attested this document yet.",
    "final": "Final.",
    "amended": "Amended after it was final.",
    "entered-in-error": "ENTERED IN ERROR: this document must not be used.",
}


def page(document: Document, identifier: str, timestamp: str) -> str:
    """The page. `identifier` and `timestamp` are those of the Bundle."""
    composition = document.composition
    language = escape(str(composition.get("language") or "en"))
    title = escape(str(composition.get("title", "")))
    body = "\n".join(_body(document))
    return (
        f'<!DOCTYPE html>\n<html lang="{language}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{style()}</style>\n</head>\n<body>\n{body}\n"
        f"<footer><p>Document {escape(identifier)}, made {escape(time_words(timestamp))}, from"
        f" {escape(document.stored.reference)}, version {document.stored.vid}.</p></footer>\n"
        "</body>\n</html>\n"
    )


def policy() -> str:
    """The Content-Security-Policy of the page: its own style sheet and nothing else."""
    digest = base64.b64encode(hashlib.sha256(style().encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none';"
        " frame-ancestors 'none'; sandbox"
    )


@cache
def style() -> str:
    """The style sheet."""
    return files(__package__).joinpath("document_page.css").read_text(encoding="utf-8")


def safe(div: str) -> str:
    """A narrative as HTML that shows text and does nothing."""
    try:
        root = etree.fromstring(div, _PARSER)
    except (etree.XMLSyntaxError, ValueError):
        return f"<p>{escape(div)}</p>"
    # As XML, `<a name="x"/>` is empty; read as HTML it would hold all that follows.
    for node in root.iter():
        if isinstance(node.tag, str):
            node.tag = etree.QName(node).localname
    etree.cleanup_namespaces(root)
    html = etree.tostring(root, encoding="unicode", method="html", with_tail=False)
    return nh3.clean(
        html,
        tags=_TAGS,
        attributes=_ATTRIBUTES,
        attribute_filter=_bounded,
        url_schemes=_SCHEMES,
        url_relative="deny",
        link_rel="noopener noreferrer",
    )


def _bounded(_tag: str, name: str, value: str) -> str | None:
    """The attribute as it is written; a span that is no number, or none, is left out."""
    if name not in ("colspan", "rowspan"):
        return value
    if not (value.isascii() and value.isdecimal()):
        return None
    most = _MOST_COLUMNS if name == "colspan" else _MOST_ROWS
    return str(most if len(value) > 4 else min(int(value), most))


def _body(document: Document) -> Iterator[str]:
    composition = document.composition
    yield f"<header><h1>{escape(str(composition.get('title', '')))}</h1>"
    yield f'<div class="state">{"".join(f"<p>{escape(one)}</p>" for one in _state(document))}</div>'
    yield "</header>\n<main>"
    subject = document.subject()
    if subject is not None:
        yield f"<section><h2>Client</h2>{_told(subject) or _about(subject)}</section>"
    told = _told(composition)
    if told:
        yield f"<section><h2>Overview</h2>{told}</section>"
    yield from _sections(composition, 2)
    yield "</main>"


def _state(document: Document) -> Iterator[str]:
    composition = document.composition
    status = str(composition.get("status", ""))
    yield _STATES.get(status, code_words(status))
    yield f"{said(composition.get('type'))}, {time_words(composition.get('date'))}"
    for attester, party in document.attesters():
        who = name_words(party) if party else str((attester.get("party") or {}).get("display", ""))
        when = time_words(attester.get("time"))
        named = f" by {who}" if who else ""
        yield f"Attested ({code_words(attester.get('mode'))}){named}{f', {when}' if when else ''}."


def _sections(holder: Mapping[str, Any], level: int) -> Iterator[str]:
    heading = f"h{min(level, 6)}"
    for section in holder.get("section", ()):
        codings = (section.get("code") or {}).get("coding", ())
        own = next((c["code"] for c in codings if c.get("system") == SECTIONS), "")
        title = str(section.get("title") or said(section.get("code")) or "Section")
        yield f'<section class="{escape(own)}"><{heading}>{escape(title)}</{heading}>'
        told = _told(section)
        if told:
            yield told
        elif "emptyReason" in section:
            yield f"<p>Empty: {escape(said(section['emptyReason']))}</p>"
        yield from _sections(section, level + 1)
        yield "</section>"


def _told(holder: Mapping[str, Any]) -> str:
    div = (holder.get("text") or {}).get("div")
    return f'<div class="wide">{safe(div)}</div>' if isinstance(div, str) else ""


def _about(subject: Resource) -> str:
    """Of a subject that tells nothing itself: what it is known by."""
    if subject.get("resourceType") != "Patient":
        return f"<p>{escape(name_words(subject))}</p>"
    return safe(narrative(pairs("About the client", client_rows(subject))))
